package main

import (
	"crypto/x509"
	"encoding/pem"
	"net"
	"net/url"
	"os"
	"time"

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
		port, encrypted := u.Port(), u.Scheme == "tls" || u.Scheme == "ssl" || u.Scheme == "mqtts" || u.Scheme == "wss"
		if encrypted {
			door.Trust = trustSystem
		}
		if port == "" {
			port = map[bool]string{true: "8883", false: "1883"}[encrypted]
		}
		door.Elsewhere = true
		return net.JoinHostPort(u.Hostname(), port), door
	}
	door.Shows, door.ShownName = e.TLS.ClientCA != "", e.TLS.NameFromCertificate
	door.Named = !e.TLS.NameFromCertificate && !e.WithoutCredentials && (e.NodesOnly || !web.IsLoopback(own))
	if e.TLS.On() {
		door.Host, door.Trust, door.Signer = trustOf(e.TLS.Cert)
	}
	return own.String(), door
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
	if len(leaf.DNSNames) > 0 {
		host = leaf.DNSNames[0]
	}
	if leaf.CheckSignatureFrom(leaf) == nil || string(leaf.RawIssuer) == string(leaf.RawSubject) {
		return host, "--cafile " + file, false
	}
	if _, err := leaf.Verify(x509.VerifyOptions{Intermediates: between, CurrentTime: time.Now(), KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageAny}}); err == nil {
		return host, trustSystem, false
	}
	return host, signed, true
}
