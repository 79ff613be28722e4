package main

import (
	"crypto/x509"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestCheckTriesConnections looks at real servers, and at what is not there.
func TestCheckTriesConnections(t *testing.T) {
	theirs := startMosquitto(t)
	door, err := net.Listen("tcp", "127.0.0.1:0") // a webhook's, which nobody answers
	require.NoError(t, err)
	t.Cleanup(func() { _ = door.Close() })
	gone, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	nobody := gone.Addr().String()
	require.NoError(t, gone.Close())

	box := openMailbox(t)
	dir := t.TempDir()
	check := func(config string) (code int, saw map[string][]string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config), 0o600))
		code, stdout, stderr := outyardIn(t, dir, nil, "check", "--connect", "--format", "json")
		require.NotContains(t, stdout+stderr, "hunter2")
		var rows []struct{ What, Where, Result, Saw string }
		require.NoError(t, json.Unmarshal([]byte(stdout), &rows), stdout+stderr)
		saw = map[string][]string{}
		for _, r := range rows {
			saw[r.What+" "+r.Where] = []string{r.Result, r.Saw}
		}
		return code, saw
	}
	code, saw := check("mqtt: {broker: 'tcp://node:hunter2@" + theirs.addr + "'}\n" +
		"tell: [{name: club, to: ['webhook+http://" + door.Addr().String() + "/bees#hunter2', 'log:', 'smtp://" + box.addr + "/?from=a@example.org&to=b@example.org']}]\n")
	require.Zero(t, code, saw)
	require.Contains(t, saw["data ./outyard-data"][1], "not there yet: it is made at the first start; can be written to")
	require.Equal(t, []string{"ok", "let in, and may read yards/#"}, saw["broker tcp://"+theirs.addr])
	require.Equal(t, "ok", saw["tell club webhook+http://"+door.Addr().String()][0])
	require.Equal(t, []string{"ok", "answers, in the clear; no user is given"}, saw["tell club smtp://"+box.addr])
	require.Empty(t, box.got(), "nothing is sent")
	require.NoDirExists(t, filepath.Join(dir, "outyard-data"), "nothing is made by looking")

	code, saw = check("mqtt: {broker: 'tcp://node:hunter2@" + nobody + "'}\n" +
		"store: {kind: influx, influx: {url: 'http://" + nobody + "', bucket: hives, token: hunter2}}\n" +
		"tell: [{name: me, to: ['smtp://me:hunter2@" + nobody + "/?from=a@example.org&to=b@example.org', 'webhook+http://" + nobody + "/bees#hunter2']}]\n")
	require.Equal(t, exitFailed, code)
	for _, what := range []string{"broker tcp://", "store http://", "tell me smtp://", "tell me webhook+http://"} {
		require.Equal(t, "failed", saw[what+nobody][0], what)
		require.Contains(t, saw[what+nobody][1], "connection refused", what)
	}
	require.Equal(t, "ok", saw["data ./outyard-data"][0])
}

// connections runs check --connect on a config and says what it saw of one thing.
func connections(t *testing.T, dir, config, what string, env ...string) (code int, result, saw string) {
	t.Helper()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config), 0o600))
	code, stdout, stderr := outyardIn(t, dir, env, "check", "--connect", "--format", "json")
	require.NotContains(t, stdout+stderr, "hunter2")
	var rows []struct{ What, Result, Saw string }
	require.NoError(t, json.Unmarshal([]byte(stdout), &rows), stdout+stderr)
	for _, r := range rows {
		if r.What == what {
			return code, r.Result, r.Saw
		}
	}
	t.Fatalf("no %s in %s", what, stdout)
	return
}

// TestCheckTriesABrokerOverTLS: a broker that is not the one that it says, or
// that does not know us.
func TestCheckTriesABrokerOverTLS(t *testing.T) {
	dir := t.TempDir()
	own, strange := newAuthority(t, dir, "own-ca"), newAuthority(t, dir, "strange-ca")
	passwords := filepath.Join(dir, "passwd")
	out, err := exec.Command(program(t, "mosquitto_passwd"), "-c", "-b", passwords, "outyard", "hunter2").CombinedOutput()
	require.NoError(t, err, string(out))
	client, key := own.sign(dir, "collector", 2)
	serve := func(t *testing.T, change func(*x509.Certificate)) *mosquitto {
		cert, certKey := own.sign(t.TempDir(), "server", 1, change)
		return startMosquitto(t, "cafile "+own.file, "certfile "+cert, "keyfile "+certKey, "require_certificate true", "allow_anonymous false", "password_file "+passwords)
	}
	right := serve(t, func(*x509.Certificate) {})
	expired := serve(t, func(c *x509.Certificate) {
		c.NotBefore, c.NotAfter = time.Now().Add(-48*time.Hour), time.Now().Add(-24*time.Hour)
	})
	nameless := serve(t, func(c *x509.Certificate) { c.IPAddresses, c.DNSNames = nil, []string{"elsewhere.example"} })
	ours := fmt.Sprintf("ca: %s, cert: %s, key: %s", own.file, client, key)
	tests := []struct {
		name               string
		b                  *mosquitto
		scheme, user, with string
		wrong              string // empty: let in
	}{
		{"it is right", right, "tls", "outyard:hunter2", ours, ""},
		{"a wrong password", right, "tls", "outyard:guess-hunter", ours, "not Authorized"},
		{"a wrong name", right, "tls", "inyard:hunter2", ours, "not Authorized"},
		{"no name", right, "tls", "", ours, "not Authorized"},
		{"an authority that has not signed it", right, "tls", "outyard:hunter2", strings.Replace(ours, own.file, strange.file, 1), "certificate signed by unknown authority"},
		{"no certificate of ours", right, "tls", "outyard:hunter2", "ca: " + own.file, "network Error"}, // "certificate required", unless the end of the connection overtakes that
		{"looked for under another name", right, "tls", "outyard:hunter2", ours + ", server_name: bees.example", "wanted to match bees.example"},
		{"in the clear", right, "tcp", "outyard:hunter2", "", "network Error"},
		{"a certificate that has expired", expired, "tls", "outyard:hunter2", ours, "certificate has expired or is not yet valid"},
		{"a certificate of another's", nameless, "tls", "outyard:hunter2", ours, "cannot validate certificate for 127.0.0.1"},
		{"a certificate of another's, looked for under its name", nameless, "tls", "outyard:hunter2", ours + ", server_name: elsewhere.example", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			at := tt.b.addr
			if tt.user != "" {
				at = tt.user + "@" + at
			}
			code, result, saw := connections(t, dir, fmt.Sprintf("mqtt:\n  broker: %s://%s\n  broker_tls: {%s}\n", tt.scheme, at, tt.with), "broker")
			if tt.wrong == "" {
				require.Zero(t, code, saw)
				require.Equal(t, []string{"ok", "let in, and may read yards/#; TLS 1.3"}, []string{result, saw})
				return
			}
			require.Equal(t, exitFailed, code)
			require.Equal(t, "failed", result, saw)
			require.Contains(t, saw, tt.wrong)
		})
	}
}

// TestCheckLooksAtOurOwnCertificates: whether they are for the name by which
// others look for us.
func TestCheckLooksAtOurOwnCertificates(t *testing.T) {
	dir := t.TempDir()
	own := newAuthority(t, dir, "own-ca")
	until := time.Date(2099, 3, 1, 0, 0, 0, 0, time.UTC)
	cert, key := own.sign(dir, "server", 1, func(c *x509.Certificate) { c.DNSNames, c.NotAfter = []string{"bees.example"}, until })
	nameless, namelessKey := own.sign(dir, "nameless", 2, func(c *x509.Certificate) { c.IPAddresses = nil })
	config := func(listen, more, cert, key string) string {
		return fmt.Sprintf("listen: %s\n%s\ntls: {cert: %s, key: %s}\nmqtt: {embedded: {listen: '0.0.0.0:8883', tls: {cert: %s, key: %s}}}\n", listen, more, cert, key, cert, key)
	}
	const everywhere, here = "0.0.0.0:8377", "127.0.0.1:8377"
	tests := []struct {
		name, config, what, result, saw string
	}{
		{"for the name in pages_at", config(everywhere, "pages_at: https://bees.example", cert, key), "pages", "ok", "certificate for bees.example, 127.0.0.1, until 2099-03-01"},
		{"for another", config(everywhere, "pages_at: https://hives.example", cert, key), "pages", "failed", "is for bees.example, 127.0.0.1, and pages_at says hives.example: browsers will warn of it"},
		{"a proxy here has one of its own", config(here, "pages_at: https://hives.example", cert, key), "pages", "ok", "certificate for bees.example"},
		{"a proxy elsewhere too", config(everywhere, "listen_without: [sign-in]\npages_at: https://hives.example", cert, key), "pages", "ok", "certificate for bees.example"},
		{"for nobody", config(everywhere, "", nameless, namelessKey), "pages", "failed", "names no host (subjectAltName): nobody will believe it"},
		{"the broker's", config(everywhere, "", cert, key), "own broker", "ok", "certificate for bees.example, 127.0.0.1, until 2099-03-01"},
		{"the broker's, for nobody", config(everywhere, "", nameless, namelessKey), "own broker", "failed", "names no host"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, result, saw := connections(t, dir, tt.config, tt.what)
			require.Equal(t, tt.result, result, saw)
			require.Contains(t, saw, tt.saw)
		})
	}
}
