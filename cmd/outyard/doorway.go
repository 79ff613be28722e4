package main

import (
	"cmp"
	"crypto/x509"
	"encoding/pem"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"outyard/collector/client"
	"outyard/configs"
	"outyard/web"
)

// doorOf is where whoever sends readings sends them, and what is asked for
// there, as far as the config and the certificate say it.
func doorOf(cfg configs.Config, own net.Addr) (sendTo string, door web.Door) {
	e := cfg.MQTT.Embedded
	if e == nil || own == nil {
		u, err := url.Parse(cfg.MQTT.Broker.Reveal())
		if err != nil || u.Host == "" {
			return "", door
		}
		door.Elsewhere, door.WebSockets = true, u.Scheme == "ws" || u.Scheme == "wss"
		encrypted := slices.Contains([]string{"tls", "ssl", "mqtts", "wss"}, u.Scheme)
		if encrypted {
			// What the broker shows is the same to a node as to us.
			door.Trust, door.Host = trustSystem, cfg.MQTT.BrokerTLS.ServerName
			if ca := cfg.MQTT.BrokerTLS.CA; ca != "" {
				door.Trust = "--cafile " + ca
			}
		}
		return net.JoinHostPort(u.Hostname(), cmp.Or(u.Port(), client.PortOf(u.Scheme))), door
	}
	door.As = runsAs(cfg.File, os.Geteuid())
	door.Shows, door.ShownName = e.TLS.ClientCA != "", e.TLS.NameFromCertificate
	door.Named = !e.TLS.NameFromCertificate && !e.WithoutCredentials && (e.NodesOnly || !web.IsLoopback(own))
	if e.TLS.On() {
		door.Host, door.Trust, door.Signer = trustOf(e.TLS.Cert)
	}
	return own.String(), door
}

// runsAs is the user as whom commands that change something have to be run, of
// a daemon that its package or an administrator set up; empty: whoever asks.
func runsAs(file string, uid int) string {
	if file != configs.SystemFile || uid <= 0 {
		return ""
	}
	return ownerName(uid)
}

// trustSystem has mosquitto_pub trust whom the system trusts.
const trustSystem = "--tls-use-os-certs"

// trustOf says how a client comes to trust the certificate in a file: by
// itself, where nobody else signed it, or by whoever the system trusts, or by
// its signer. host is a name that it is for, empty where it is for an address.
func trustOf(file string) (host, trust string, signer bool) {
	signed := "--cafile " + web.SignerFile
	text, err := os.ReadFile(file)
	if err != nil {
		return "", signed, true
	}
	var chain []*x509.Certificate
	for block, rest := pem.Decode(text); block != nil; block, rest = pem.Decode(rest) {
		if c, err := x509.ParseCertificate(block.Bytes); err == nil {
			chain = append(chain, c)
		}
	}
	if len(chain) == 0 {
		return "", signed, true
	}
	leaf, between := chain[0], x509.NewCertPool()
	for _, c := range chain[1:] {
		between.AddCert(c)
	}
	for _, name := range leaf.DNSNames {
		if !strings.Contains(name, "*") {
			host = name
			break
		}
	}
	if host == "" && len(leaf.DNSNames) > 0 {
		// One that is for whatever stands in the place of the star.
		host = strings.Replace(leaf.DNSNames[0], "*", web.AnyName, 1)
	}
	if leaf.CheckSignatureFrom(leaf) == nil || string(leaf.RawIssuer) == string(leaf.RawSubject) {
		return host, "--cafile " + file, false
	}
	if _, err := leaf.Verify(x509.VerifyOptions{Intermediates: between, CurrentTime: time.Now(), KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageAny}}); err == nil {
		return host, trustSystem, false
	}
	return host, signed, true
}
