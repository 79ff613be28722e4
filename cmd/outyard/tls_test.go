package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
)

// An authority signs certificates, as a keeper's own does.
type authority struct {
	t    *testing.T
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	file string
}

func newAuthority(t *testing.T, dir, name string) authority {
	a := authority{t: t, file: filepath.Join(dir, name+".crt")}
	var err error
	a.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, c, c, a.key.Public(), a.key)
	require.NoError(t, err)
	a.cert, err = x509.ParseCertificate(der)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(a.file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	return a
}

// sign writes a certificate for this machine, or a client of that name, and its
// key. It may be changed before it is signed.
func (a authority) sign(dir, name string, serial int64, change ...func(*x509.Certificate)) (cert, key string) {
	a.t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	for _, f := range change {
		f(c)
	}
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, private.Public(), a.key)
	require.NoError(a.t, err)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(a.t, err)
	cert, key = filepath.Join(dir, name+".crt"), filepath.Join(dir, name+".key")
	// The key first, so that a daemon that looks in between sees no pair.
	require.NoError(a.t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}), 0o600))
	require.NoError(a.t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	return cert, key
}

func (a authority) pool() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	return pool
}

const twoYards = `yards:
  - {id: heron-point, name: Heron Point, latitude: 48.8, longitude: -123.3, timezone: America/Vancouver, hives: [{id: h01}]}
  - {id: salal-hill, name: Salal Hill, latitude: 48.9, longitude: -123.4, timezone: America/Vancouver, hives: [{id: h01}]}
`

// tries is publish for what may be refused.
func tries(t *testing.T, addr, topic, payload string, options ...string) (out string, done bool) {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	said, err := exec.CommandContext(ctx, program(t, "mosquitto_pub"), append([]string{"-h", host, "-p", port, "-q", "1", "-t", topic, "-m", payload}, options...)...).CombinedOutput()
	require.NoError(t, ctx.Err(), "mosquitto_pub %v neither publishes nor gives up", options)
	return string(said), err == nil
}

const oneWeight = `[{"n":"weight","u":"kg","v":41.2}]`

// A node that somebody else wrote the program of sends over TLS with its
// credentials, and can do nothing else.
func TestANodeSendsOverTLS(t *testing.T) {
	dir := t.TempDir()
	own, strange := newAuthority(t, dir, "own-ca"), newAuthority(t, dir, "strange-ca")
	cert, key := own.sign(dir, "server", 1)
	config := fmt.Sprintf("listen: 127.0.0.1:0\ntls: {cert: %[1]s, key: %[2]s}\nmqtt:\n  embedded: {listen: '127.0.0.1:0', nodes_only: true, tls: {cert: %[1]s, key: %[2]s}}\n", cert, key)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config+twoYards), 0o600))
	d := startDaemon(t, dir)
	require.Contains(t, d.pages, "https://")

	add := func(name, yard string) string { // while the daemon runs
		code, secret, complaints := outyardIn(t, dir, nil, "node", "add", name, "--yard", yard)
		require.Zero(t, code, complaints)
		return strings.TrimSpace(secret)
	}
	heron, salal := add("heron-gateway", "heron-point"), add("salal-gateway", "salal-hill")
	const topic = "yards/heron-point/hives/h01"
	with := func(user, secret string) []string { return []string{"--cafile", own.file, "-u", user, "-P", secret} }
	publish(t, d.mqtt, topic, oneWeight, with("heron-gateway", heron)...)
	for _, c := range []struct {
		name, topic string
		options     []string
	}{
		{"another's yard", "yards/salal-hill/hives/h01", with("heron-gateway", heron)},
		{"another node", topic, with("salal-gateway", salal)},
		{"another's secret", topic, with("heron-gateway", salal)},
		{"no node at all", topic, with("nobody", heron)},
		{"no credentials", topic, []string{"--cafile", own.file}},
		{"a server that somebody else has signed for, to the node", topic, append(with("heron-gateway", heron), "--cafile", strange.file)},
		{"plain text to the port of TLS", topic, []string{"-u", "heron-gateway", "-P", heron}},
	} {
		out, done := tries(t, d.mqtt, c.topic, `[{"n":"weight","u":"kg","v":66.6}]`, c.options...)
		require.False(t, done, "%s: %s", c.name, out)
	}

	client := &http.Client{Timeout: patience, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: own.pool()}, DisableKeepAlives: true}}
	get := func(path string) (string, *tls.ConnectionState) {
		answer, err := client.Get(d.pages + path)
		require.NoError(t, err)
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		return string(text), answer.TLS
	}
	page, state := get("/yards/heron-point")
	require.Contains(t, page, "41.2", "the reading is on the page")
	require.EqualValues(t, 1, state.PeerCertificates[0].SerialNumber.Int64())
	plain, err := http.Get(strings.Replace(d.pages, "https:", "http:", 1))
	require.NoError(t, err)
	plain.Body.Close()
	require.Equal(t, http.StatusBadRequest, plain.StatusCode, "plain text to the pages' port")

	// A command that asks the daemon knows it by its certificate.
	code, out, complaints := outyardIn(t, dir, nil, "refused", "--retry")
	require.Zero(t, code, "%s%s", out, complaints)

	// Renewed while it runs; a file that makes no sense changes nothing.
	own.sign(dir, "server", 2)
	_, state = get("/healthz")
	require.EqualValues(t, 2, state.PeerCertificates[0].SerialNumber.Int64())
	conn, err := tls.Dial("tcp", d.mqtt, &tls.Config{RootCAs: own.pool()})
	require.NoError(t, err, "the broker as well")
	require.EqualValues(t, 2, conn.ConnectionState().PeerCertificates[0].SerialNumber.Int64())
	conn.Close()
	require.NoError(t, os.WriteFile(cert, []byte("half a certif"), 0o600))
	_, state = get("/healthz")
	require.EqualValues(t, 2, state.PeerCertificates[0].SerialNumber.Int64())
	_, err = tls.Dial("tcp", d.mqtt, &tls.Config{RootCAs: own.pool(), MaxVersion: tls.VersionTLS11})
	require.Error(t, err, "nothing older than TLS 1.2")

	log := d.log.String()
	for _, secret := range []string{heron, salal} {
		require.NotContains(t, log, secret)
		require.NotContains(t, page, secret)
	}
	require.Len(t, stored(t, dir), 1, "and nothing of what was refused was kept")
}

func TestANodeIsKnownByItsCertificate(t *testing.T) {
	dir := t.TempDir()
	own, strange := newAuthority(t, dir, "own-ca"), newAuthority(t, dir, "strange-ca")
	cert, key := own.sign(dir, "server", 1)
	config := fmt.Sprintf("listen: 127.0.0.1:0\nmqtt:\n  embedded: {listen: '127.0.0.1:0', tls: {cert: %s, key: %s, client_ca: %s, name_from_certificate: true}}\n", cert, key, own.file)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config+twoYards), 0o600))
	d := startDaemon(t, dir)
	code, _, complaints := outyardIn(t, dir, nil, "node", "add", "heron-gateway", "--yard", "heron-point")
	require.Zero(t, code, complaints)
	with := func(by authority, name string) []string {
		cert, key := by.sign(t.TempDir(), name, 7)
		return []string{"--cafile", own.file, "--cert", cert, "--key", key}
	}
	publish(t, d.mqtt, "yards/heron-point/hives/h01", oneWeight, with(own, "heron-gateway")...)
	for _, c := range []struct {
		name, topic string
		options     []string
	}{
		{"another's yard", "yards/salal-hill/hives/h01", with(own, "heron-gateway")},
		{"a name that no node has", "yards/heron-point/hives/h01", with(own, "salal-gateway")},
		{"the same name, signed by somebody else", "yards/heron-point/hives/h01", with(strange, "heron-gateway")},
		{"no certificate", "yards/heron-point/hives/h01", []string{"--cafile", own.file}},
		{"a user that is not the certificate's", "yards/heron-point/hives/h01", append(with(own, "heron-gateway"), "-u", "salal-gateway", "-P", "x")},
	} {
		out, done := tries(t, d.mqtt, c.topic, oneWeight, c.options...)
		require.False(t, done, "%s: %s", c.name, out)
	}
	require.Len(t, stored(t, dir), 1)

	// Who signed for it is trusted no more, from the next connection on.
	text, err := os.ReadFile(strange.file)
	require.NoError(t, err)
	node := with(own, "heron-gateway")
	require.NoError(t, os.WriteFile(own.file+".copy", must(os.ReadFile(own.file)), 0o600))
	node[1] = own.file + ".copy"
	require.NoError(t, os.WriteFile(own.file, append(text, '\n'), 0o600))
	out, done := tries(t, d.mqtt, "yards/heron-point/hives/h01", oneWeight, node...)
	require.False(t, done, out)
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// Another's broker is known by its own authority, and knows us by our
// certificate.
func TestAnotherBrokerOverTLS(t *testing.T) {
	dir := t.TempDir()
	own := newAuthority(t, dir, "own-ca")
	cert, key := own.sign(dir, "server", 1)
	b := startMosquitto(t, "cafile "+own.file, "certfile "+cert, "keyfile "+key, "require_certificate true")
	cert, key = own.sign(dir, "collector", 2)
	config := func(ca string) string {
		return fmt.Sprintf("mqtt:\n  broker: tls://%s\n  broker_tls: {ca: %s, cert: %s, key: %s}\n", b.addr, ca, cert, key)
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config(own.file)), 0o600))
	d := startDaemon(t, dir)
	d.sees("/readyz", "ready")
	pair, err := tls.LoadX509KeyPair(cert, key)
	require.NoError(t, err)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tls://" + b.addr).SetTLSConfig(&tls.Config{RootCAs: own.pool(), Certificates: []tls.Certificate{pair}}).SetConnectTimeout(patience))
	require.NoError(t, wait(t.Context(), c.Connect()))
	defer c.Disconnect(0)
	require.NoError(t, wait(t.Context(), c.Publish("yards/heron-point/hives/h01", 1, false, oneWeight)))
	d.sees("/yards/heron-point", "41.2")
	require.Zero(t, d.stop())

	strange := newAuthority(t, dir, "strange-ca")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config(strange.file)), 0o600))
	d = startDaemon(t, dir)
	require.True(t, within(patience, func() bool {
		_, body := d.get("/readyz")
		return strings.Contains(body, "certificate signed by unknown authority")
	}))
}

// What others can reach wants TLS and somebody to sign in, or the word of the
// keeper that he knows what he goes without.
func TestAnOpenAddressWantsMore(t *testing.T) {
	dir := t.TempDir()
	own := newAuthority(t, dir, "own-ca")
	cert, key := own.sign(dir, "server", 1)
	pages, node := "listen: 0.0.0.0:0\n", "mqtt: {embedded: {listen: '127.0.0.1:0'}}\n"
	secure := fmt.Sprintf("tls: {cert: %s, key: %s}\n", cert, key)
	for _, c := range []struct {
		name, config string
		want         string // of the error; empty: it listens
	}{
		{"pages, with nothing", pages + node, "give tls a certificate"},
		{"pages, with TLS and nobody to sign in", pages + node + secure, "outyard keeper add"},
		{"pages, without TLS, which the keeper knows", pages + node + "listen_without: [tls]\n", "outyard keeper add"},
		{"pages, without sign-in, which the keeper knows", pages + node + "listen_without: [sign-in]\n", "give tls a certificate"},
		{"pages, behind a proxy that does both", pages + node + "listen_without: [tls, sign-in]\n", ""},
		{"pages, with TLS, behind a proxy that signs in", pages + node + secure + "listen_without: [sign-in]\n", ""},
		{"a broker, with nothing", "listen: 127.0.0.1:0\nmqtt: {embedded: {listen: '0.0.0.0:0'}}\n", "give mqtt.embedded.tls a certificate"},
		{"a broker, without TLS, which the keeper knows", "listen: 127.0.0.1:0\nmqtt: {embedded: {listen: '0.0.0.0:0', listen_without: [tls]}}\n", ""},
		{"a broker, with TLS", "listen: 127.0.0.1:0\nmqtt:\n  embedded: {listen: '0.0.0.0:0', tls: {cert: " + cert + ", key: " + key + "}}\n", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			home := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(home, "outyard.yaml"), []byte(c.config), 0o600))
			ctx, cancel := context.WithTimeout(t.Context(), patience)
			defer cancel()
			cmd := exec.CommandContext(ctx, "outyard", "serve", "--log", "json")
			cmd.Dir, cmd.Env = home, plainEnv()
			stderr, err := cmd.StderrPipe()
			require.NoError(t, err)
			require.NoError(t, cmd.Start())
			var text strings.Builder
			buffer := make([]byte, 4096)
			for !strings.Contains(text.String(), `"msg":"ready"`) {
				n, err := stderr.Read(buffer)
				text.Write(buffer[:n])
				if err != nil {
					break
				}
			}
			ready := strings.Contains(text.String(), `"msg":"ready"`)
			_ = cmd.Process.Kill() // fails when it has ended, which is just as well
			_ = cmd.Wait()
			if c.want == "" {
				require.True(t, ready, text.String())
				return
			}
			require.False(t, ready, "it listens")
			require.Contains(t, text.String(), c.want)
			require.Contains(t, text.String(), "listen_without", "the error names the word to say")
		})
	}
}

// With an account the pages are served to others, who have to sign in; without
// sign-in, which a proxy does, they are open.
func TestOpenPagesAskForTheAccount(t *testing.T) {
	dir := t.TempDir()
	own := newAuthority(t, dir, "own-ca")
	cert, key := own.sign(dir, "server", 1)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "password"), []byte("heather and gorse\n"), 0o600))
	client := &http.Client{Timeout: patience, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: own.pool()}, DisableKeepAlives: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	status := func(url string) int {
		answer, err := client.Get(url)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		return answer.StatusCode
	}
	config := fmt.Sprintf("listen: 0.0.0.0:0\ntls: {cert: %s, key: %s}\nmqtt: {embedded: {listen: '127.0.0.1:0'}}\n", cert, key)
	write := func(config string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config+twoYards), 0o600))
	}
	write(config + "listen_without: [sign-in]\n")
	d := startDaemonAt(t, "0.0.0.0:0", dir)
	require.Equal(t, http.StatusOK, status(d.pages+"/"))
	require.Equal(t, http.StatusOK, status(d.pages+"/api/v1/yards"))
	require.Zero(t, d.stop())

	code, _, complaints := outyardIn(t, dir, nil, "keeper", "add", "maren", "--password-file", "password")
	require.Zero(t, code, complaints)
	write(config)
	d = startDaemonAt(t, "0.0.0.0:0", dir)
	require.NotEqual(t, http.StatusOK, status(d.pages+"/"))
	require.Equal(t, http.StatusUnauthorized, status(d.pages+"/api/v1/yards"))
	require.Equal(t, http.StatusOK, status(d.pages+"/sign-in"))
}

func TestCheckNamesACertificateThatIsOutOfDate(t *testing.T) {
	dir := t.TempDir()
	own := newAuthority(t, dir, "own-ca")
	own.cert.NotAfter = time.Now().Add(-time.Hour)
	old, err := x509.CreateCertificate(rand.Reader, own.cert, own.cert, own.key.Public(), own.key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(own.file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: old}), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte("mqtt:\n  broker: tls://broker.example\n  broker_tls:\n    ca: "+own.file+"\n"), 0o600))
	code, _, complaints := outyardIn(t, dir, nil, "check")
	require.Equal(t, exitFailed, code)
	require.Contains(t, complaints, "outyard.yaml:4: mqtt.broker_tls.ca: the certificate in "+own.file+" expired on")
}
