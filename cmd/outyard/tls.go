package main

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net"
	"os"
	"sync"
	"time"

	"outyard/configs"
)

// A watched is something read from files, that is read again when they change:
// a certificate is renewed every few weeks by a program that knows nothing of
// us. When what is there then makes no sense, half written maybe, what was read
// last goes on to hold.
type watched[T any] struct {
	files []string
	read  func() (T, error)
	log   *slog.Logger

	mu   sync.Mutex
	seen []fileMark
	last T
}

// A fileMark tells one state of a file from the next.
type fileMark struct {
	size    int64
	changed time.Time
}

// watch reads the files for the first time.
func watch[T any](log *slog.Logger, read func() (T, error), files ...string) (*watched[T], error) {
	w := &watched[T]{files: files, read: read, log: log}
	w.seen = w.marks()
	var err error
	w.last, err = read()
	return w, err
}

func (w *watched[T]) marks() []fileMark {
	marks := make([]fileMark, len(w.files))
	for i, f := range w.files {
		if info, err := os.Stat(f); err == nil {
			marks[i] = fileMark{info.Size(), info.ModTime()}
		}
	}
	return marks
}

// now is what the files say.
func (w *watched[T]) now() T {
	w.mu.Lock()
	defer w.mu.Unlock()
	marks := w.marks()
	for i := range marks {
		if marks[i] == w.seen[i] {
			continue
		}
		w.seen = marks
		fresh, err := w.read()
		if err != nil {
			w.log.Error("certificate not read again: the one from before stays in force", "files", w.files, "error", err)
			break
		}
		w.log.Info("certificate read again", "files", w.files)
		w.last = fresh
		break
	}
	return w.last
}

func watchPair(cert, key string, log *slog.Logger) (*watched[*tls.Certificate], error) {
	return watch(log, func() (*tls.Certificate, error) {
		pair, err := tls.LoadX509KeyPair(cert, key)
		if err != nil {
			return nil, fmt.Errorf("certificate %s with key %s: %w", cert, key, err)
		}
		return &pair, nil
	}, cert, key)
}

func watchAuthorities(file string, log *slog.Logger) (*watched[*x509.CertPool], error) {
	return watch(log, func() (*x509.CertPool, error) {
		text, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("no certificate is in %s", file)
		}
		return pool, nil
	}, file)
}

// serverTLS is how others know us, and with a ClientCA we them; nil without a
// certificate.
func serverTLS(files configs.ServerTLS, log *slog.Logger) (*tls.Config, error) {
	if !files.On() {
		return nil, nil
	}
	pair, err := watchPair(files.Cert, files.Key, log)
	if err != nil {
		return nil, err
	}
	cfg := &tls.Config{
		MinVersion:     tls.VersionTLS12,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return pair.now(), nil },
	}
	if files.ClientCA == "" {
		return cfg, nil
	}
	signers, err := watchAuthorities(files.ClientCA, log)
	if err != nil {
		return nil, err
	}
	cfg.ClientAuth = tls.RequireAndVerifyClientCert
	cfg.ClientCAs = signers.now()
	// Else a session that is taken up again would outlive the trust in who
	// signed for it.
	cfg.SessionTicketsDisabled = true
	whole := cfg.Clone()
	cfg.GetConfigForClient = func(*tls.ClientHelloInfo) (*tls.Config, error) {
		one := whole.Clone()
		one.ClientCAs = signers.now()
		return one, nil
	}
	return cfg, nil
}

// clientTLS makes what we know another's broker by, anew for each connection.
func clientTLS(files configs.ClientTLS, log *slog.Logger) (func() *tls.Config, error) {
	base := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: files.ServerName}
	if files.Cert != "" {
		pair, err := watchPair(files.Cert, files.Key, log)
		if err != nil {
			return nil, err
		}
		base.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return pair.now(), nil }
	}
	if files.CA == "" {
		return base.Clone, nil
	}
	signers, err := watchAuthorities(files.CA, log)
	if err != nil {
		return nil, err
	}
	return func() *tls.Config {
		one := base.Clone()
		one.RootCAs = signers.now()
		return one
	}, nil
}

// listenForPages opens the address of the pages. One that others can reach
// wants TLS and somebody who can sign in, or the keeper's word that he knows
// what he goes without.
func listenForPages(cfg configs.Config, loopback func(net.Addr) bool, hasKeepers func() (bool, error), log *slog.Logger) (net.Listener, error) {
	secure, err := serverTLS(cfg.TLS, log)
	if err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	l, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen for pages on %s: %w", cfg.Listen, err)
	}
	if !loopback(l.Addr()) {
		if err := mayBeOpen(cfg, hasKeepers); err != nil {
			l.Close()
			return nil, err
		}
	}
	if secure != nil {
		secure.NextProtos = []string{"http/1.1"}
		return tls.NewListener(l, secure), nil
	}
	return l, nil
}

func mayBeOpen(cfg configs.Config, hasKeepers func() (bool, error)) error {
	if !cfg.TLS.On() && !cfg.WithoutTLS {
		return fmt.Errorf("listen %s is open to other machines, and what goes there, passwords too, would be open to whoever listens in: give tls a certificate, or listen on 127.0.0.1, or say listen_without: [tls] if a proxy in front encrypts it", cfg.Listen)
	}
	if cfg.WithoutSignIn {
		return nil
	}
	has, err := hasKeepers()
	if err != nil {
		return err
	}
	if !has {
		return fmt.Errorf("listen %s is open to other machines, and nobody has an account: outyard keeper add NAME makes one, or listen on 127.0.0.1, or say listen_without: [sign-in] if a proxy in front signs people in", cfg.Listen)
	}
	return nil
}

// pagesURL is where this machine finds the pages.
func pagesURL(cfg configs.Config, at net.Addr) string {
	scheme := "http://"
	if cfg.TLS.On() {
		scheme = "https://"
	}
	if tcp, ok := at.(*net.TCPAddr); ok && tcp.IP.IsUnspecified() {
		own := net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: tcp.Port}
		at = &own
	}
	return scheme + at.String()
}

// sameCertificate knows a daemon of this machine by the very certificate that is
// in its file: its name is that by which others call it.
func sameCertificate(files configs.ServerTLS) *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12,
		InsecureSkipVerify: true, // VerifyConnection does it
		VerifyConnection: func(state tls.ConnectionState) error {
			own, err := tls.LoadX509KeyPair(files.Cert, files.Key)
			if err != nil {
				return err
			}
			if len(state.PeerCertificates) == 0 || !bytes.Equal(state.PeerCertificates[0].Raw, own.Certificate[0]) {
				return fmt.Errorf("it has another certificate than that in %s", files.Cert)
			}
			return nil
		}}
}
