package configs

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var (
	certFrom  = time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)
	certUntil = time.Date(2028, 1, 1, 0, 0, 0, 0, time.UTC)
)

// writePair writes a certificate that signs itself, and its key.
func writePair(t *testing.T, dir, name string) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: certFrom, NotAfter: certUntil, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, private.Public(), private)
	require.NoError(t, err)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	cert, key = filepath.Join(dir, name+".crt"), filepath.Join(dir, name+".key")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}), 0o600))
	return cert, key
}

// certificates makes a folder such as a service manager gives the daemon, with
// all that full.yaml names.
func certificates(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"outyard", "nodes-ca", "broker-ca"} {
		writePair(t, dir, name)
	}
	return "CREDENTIALS_DIRECTORY=" + dir
}

func TestCertificatesAreLookedAt(t *testing.T) {
	dir := t.TempDir()
	cert, key := writePair(t, dir, "outyard")
	_, other := writePair(t, dir, "other")
	gone, junk := filepath.Join(dir, "gone.pem"), filepath.Join(dir, "junk.pem")
	require.NoError(t, os.WriteFile(junk, []byte("clover\n"), 0o600))
	for _, c := range []struct{ name, text, want string }{
		{"a pair for the pages", "tls: {cert: " + cert + ", key: " + key + "}", ""},
		{"a pair for our broker, and who signs for nodes", "mqtt:\n  embedded:\n    tls: {cert: " + cert + ", key: " + key + ", client_ca: " + cert + ", name_from_certificate: true}", ""},
		{"a file that is not there", "data: x\ntls:\n  cert: " + gone + "\n  key: " + key, ":3: tls.cert is " + gone + ": no such file or directory"},
		{"a key that is another's", "tls:\n  cert: " + cert + "\n  key: " + other, ":3: tls.key: the key in " + other + " does not go with the certificate in " + cert},
		{"a certificate that is none", "tls:\n  cert: " + junk + "\n  key: " + key, ":2: tls.cert: no certificate is in " + junk},
		{"a key in place of the certificate", "tls:\n  cert: " + key + "\n  key: " + key, ":2: tls.cert: no certificate is in " + key},
		{"a folder", "tls:\n  cert: " + dir + "\n  key: " + key, "want an ordinary file"},
		{"a certificate without its key", "tls:\n  cert: " + cert, ":2: tls.cert is given without tls.key"},
		{"a key without its certificate", "tls:\n  key: " + key, ":2: tls.key is given without tls.cert"},
		{"clients' certificates without our own", "mqtt:\n  embedded:\n    tls:\n      client_ca: " + cert, ":4: mqtt.embedded.tls.client_ca is given, but no certificate of our own"},
		{"names out of certificates that are not asked for", "mqtt:\n  embedded:\n    tls:\n      cert: " + cert + "\n      key: " + key + "\n      name_from_certificate: true", ":6: mqtt.embedded.tls.name_from_certificate is true, but certificates are not asked for"},
		{"a yes that is none", "mqtt:\n  embedded:\n    nodes_only: perhaps", `:3: mqtt.embedded.nodes_only is "perhaps": want true or false`},
		{"what to go without, mistyped", "listen_without: [tsl]", `:1: listen_without[0] is "tsl": did you mean tls?`},
		{"what to go without, of the other kind", "mqtt: {embedded: {listen_without: [sign-in]}}", `want tls or credentials`},
		{"for a broker that is not encrypted", "mqtt:\n  broker: tcp://broker.example\n  broker_tls: {ca: " + cert + "}", ":3: mqtt.broker_tls is given, but mqtt.broker is not encrypted"},
		{"for a broker that is", "mqtt: {broker: tls://broker.example, broker_tls: {ca: " + cert + ", cert: " + cert + ", key: " + key + ", server_name: bees.example}}", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := load(t, c.text)
			if c.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, c.want)
			require.NotContains(t, err.Error(), "clover", "what is in a file that may be a key is not shown")
		})
	}

	c, err := load(t, "data: x\ntls:\n  cert: ${DIR}/outyard.crt\n  key: ${DIR}/outyard.key\nlisten_without: sign-in\nmqtt: {embedded: {listen_without: [tls, credentials]}}", "DIR="+dir)
	require.NoError(t, err)
	require.Equal(t, ServerTLS{Cert: cert, Key: key}, c.TLS, "the name of a folder is put in as it is")
	require.Equal(t, []bool{false, true, true, true}, []bool{c.WithoutTLS, c.WithoutSignIn, c.MQTT.Embedded.WithoutTLS, c.MQTT.Embedded.WithoutCredentials})
	require.Nil(t, c.OutOfDate(certFrom.Add(time.Hour)))
	require.ErrorContains(t, c.OutOfDate(certUntil.Add(time.Hour)), ":3: tls.cert: the certificate in "+cert+" expired on 2028-01-01")
	require.ErrorContains(t, c.OutOfDate(certFrom.Add(-time.Hour)), "holds from 2027-01-01 on only")
}
