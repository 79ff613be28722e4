package client

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"io"
	"log/slog"
	"net"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"
)

// A countedConn counts how often it is read.
type countedConn struct {
	net.Conn
	from  io.Reader
	reads int
}

func (c *countedConn) Read(p []byte) (int, error) {
	c.reads++
	return c.from.Read(p)
}

func TestManySmallReadsAreFewOfTheSystem(t *testing.T) {
	text := strings.Repeat("packet", 1000)
	counted := &countedConn{from: strings.NewReader(text)}
	conn := newBuffered(counted)
	var got []byte
	for one := make([]byte, 1); len(got) < len(text); got = append(got, one[0]) {
		_, err := io.ReadFull(conn, one)
		require.NoError(t, err)
	}
	require.Equal(t, text, string(got))
	require.Equal(t, 1, counted.reads)
}

// certificate writes one for 127.0.0.1 and its key as Mosquitto wants them,
// and returns who vouches for it.
func certificate(t *testing.T) (certFile, keyFile string, roots *x509.CertPool) {
	t.Helper()
	srv := httptest.NewTLSServer(nil) // for its certificate
	defer srv.Close()
	key, err := x509.MarshalPKCS8PrivateKey(srv.TLS.Certificates[0].PrivateKey)
	require.NoError(t, err)
	certFile, keyFile = filepath.Join(t.TempDir(), "cert.pem"), filepath.Join(t.TempDir(), "key.pem")
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: srv.Certificate().Raw}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key}), 0o600))
	roots = x509.NewCertPool()
	roots.AddCert(srv.Certificate())
	return certFile, keyFile, roots
}

func TestABrokerWithTLSIsTrustedOnlyIfSomebodyVouchesForIt(t *testing.T) {
	certFile, keyFile, roots := certificate(t)
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := free.Addr().String()
	require.NoError(t, free.Close())
	_, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	m := startMosquitto(t, "listener "+port+" 127.0.0.1", "certfile "+certFile, "keyfile "+keyFile)

	in := held()
	start(t, Config{URL: "tls://" + addr, TLS: (&tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}).Clone}, in)
	m.publish(topicH01, "over TLS")
	msg := next(t, in.messages)
	require.Equal(t, "over TLS", string(msg.Payload))
	msg.Ack()

	stranger, err := New(Config{URL: "tls://" + addr, ClientID: "stranger"}, in, time.Now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- stranger.Run(ctx) }()
	defer func() {
		cancel()
		require.NoError(t, next(t, ended))
	}()
	require.Eventually(t, func() bool {
		err := stranger.Healthy()
		return err != nil && strings.Contains(err.Error(), "certificate")
	}, patience, 10*time.Millisecond)
}
