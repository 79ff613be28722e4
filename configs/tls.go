package configs

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"slices"
	"time"

	"go.yaml.in/yaml/v3"
)

// ServerTLS is where the files are that others know us by. Without a
// certificate there is no TLS.
type ServerTLS struct {
	Cert, Key string // PEM files
	// ClientCA is the file of those who sign certificates of clients; then each
	// needs one. Empty: none does.
	ClientCA string
	// NameFromCertificate: a node is who its certificate says.
	NameFromCertificate bool
}

// On says whether there is TLS.
func (s ServerTLS) On() bool { return s.Cert != "" }

// ClientTLS is how we know a server, and it us. Empty: by the system's own
// list, by the name that we asked for, and not at all.
type ClientTLS struct {
	CA         string // PEM file
	Cert, Key  string // PEM files
	ServerName string
}

// A certificate is one that the config names a file of.
type certificate struct {
	key  string
	at   item
	file string
	*x509.Certificate
}

// OutOfDate says which certificates of the config's files do not hold at now. It
// is a matter of its own: a daemon goes on with such a one, for most of what it
// does needs none.
func (c Config) OutOfDate(now time.Time) *Mistakes {
	var wrong Mistakes
	for _, cert := range c.certificates {
		switch {
		case now.After(cert.NotAfter):
			wrong.add(cert.at.from, cert.at.line, "%s: the certificate in %s expired on %s: renew it", cert.key, cert.file, cert.NotAfter.UTC().Format(time.DateOnly))
		case now.Before(cert.NotBefore):
			wrong.add(cert.at.from, cert.at.line, "%s: the certificate in %s holds from %s on only: is the clock of this machine right?", cert.key, cert.file, cert.NotBefore.UTC().Format(time.DateOnly))
		}
	}
	if len(wrong.List) == 0 {
		return nil
	}
	wrong.sort()
	return &wrong
}

// maxPEMBytes bounds a file of certificates: a system's own list has a quarter
// of that.
const maxPEMBytes = 1 << 20

func (r *reader) serverTLS(section string) ServerTLS {
	s := ServerTLS{}
	s.Cert, s.Key = r.pair(section)
	if section == "tls" {
		return s
	}
	s.ClientCA = r.authorities(section + ".client_ca")
	s.NameFromCertificate = r.yes(section + ".name_from_certificate")
	if s.ClientCA != "" && s.Cert == "" && !r.bad[section+".cert"] {
		r.sayKey(section+".client_ca", "%s.client_ca is given, but no certificate of our own: add %s.cert and key", section, section)
	}
	if s.NameFromCertificate && s.ClientCA == "" && !r.bad[section+".client_ca"] {
		r.sayKey(section+".name_from_certificate", "%s.name_from_certificate is true, but certificates are not asked for: add %s.client_ca", section, section)
	}
	return s
}

func (r *reader) clientTLS(section string) ClientTLS {
	c := ClientTLS{CA: r.authorities(section + ".ca"), ServerName: r.get(section + ".server_name")}
	c.Cert, c.Key = r.pair(section)
	return c
}

// pair reads a certificate and its key, of which neither or both are given.
func (r *reader) pair(section string) (cert, key string) {
	certKey, keyKey := section+".cert", section+".key"
	cert, certOK := r.fileName(certKey)
	key, keyOK := r.fileName(keyKey)
	switch {
	case !certOK || !keyOK || cert == "" && key == "":
		return "", ""
	case cert == "":
		r.sayKey(keyKey, "%s is given without %s: name the file of its certificate", keyKey, certKey)
		return "", ""
	case key == "":
		r.sayKey(certKey, "%s is given without %s: name the file of its private key", certKey, keyKey)
		return "", ""
	}
	certText, keyText := r.pem(certKey, cert), r.pem(keyKey, key)
	if certText == nil || keyText == nil {
		return cert, key
	}
	chain := r.chain(certKey, cert, certText)
	if chain == nil {
		return cert, key
	}
	// The error may hold nothing of the key itself.
	if _, err := tls.X509KeyPair(certText, keyText); err != nil {
		r.sayKey(keyKey, "%s: the key in %s does not go with the certificate in %s: %v", keyKey, key, cert, err)
		return cert, key
	}
	r.certificates = append(r.certificates, certificate{certKey, r.at[certKey], cert, chain[0]})
	return cert, key
}

// authorities reads the certificates of those who sign others'.
func (r *reader) authorities(key string) string {
	file, ok := r.fileName(key)
	if !ok || file == "" {
		return ""
	}
	text := r.pem(key, file)
	if text == nil {
		return file
	}
	for _, c := range r.chain(key, file, text) {
		r.certificates = append(r.certificates, certificate{key, r.at[key], file, c})
	}
	return file
}

func (r *reader) pem(key, file string) []byte {
	text, err := smallFile(file, maxPEMBytes)
	if err != nil {
		r.sayKey(key, "%s is %s: %v", key, file, err)
		return nil
	}
	return text
}

// chain reads the certificates in a file; nil where there is none.
func (r *reader) chain(key, file string, text []byte) []*x509.Certificate {
	var chain []*x509.Certificate
	for {
		var block *pem.Block
		if block, text = pem.Decode(text); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			r.sayKey(key, "%s: a certificate in %s cannot be read: %v", key, file, err)
			return nil
		}
		chain = append(chain, c)
	}
	if len(chain) == 0 {
		r.sayKey(key, "%s: no certificate is in %s: want one in PEM, that begins with -----BEGIN CERTIFICATE-----", key, file)
	}
	return chain
}

// yes reads a setting that is true or false; left out, it is false.
func (r *reader) yes(key string) bool {
	switch s := r.get(key); {
	case r.bad[key] || s == "" || s == "false":
	case s == "true":
		return true
	default:
		r.sayKey(key, "%s is %q: want true or false", key, s)
	}
	return false
}

// words reads a list of a few known words, or a single one. With none known it
// takes what is there.
func (r *reader) words(key string, known ...string) map[string]bool {
	it := r.at[key]
	if !it.given() {
		return nil
	}
	items := []item{it}
	if it.node.Kind != yaml.ScalarNode {
		items = r.list(it)
	}
	found := map[string]bool{}
	for _, in := range items {
		word, ok := r.text(in)
		if ok && known != nil && !slices.Contains(known, word) {
			r.say(in, "%s is %q: %s", in.name, word, meant(word, known))
			continue
		}
		found[word] = ok
	}
	return found
}
