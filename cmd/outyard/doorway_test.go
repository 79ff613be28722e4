package main

import (
	"fmt"
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestTheFirstStepsWork does what the page without a reading says, to the
// letter, where nodes have to show something.
func TestTheFirstStepsWork(t *testing.T) {
	program(t, "mosquitto_pub")
	dir := t.TempDir()
	ca := newAuthority(t, dir, "own-ca")
	cert, key := ca.sign(dir, "server", 1)
	clientCert, clientKey := ca.sign(dir, "first-node", 2)
	secure := fmt.Sprintf("tls: {cert: %s, key: %s", cert, key)
	for name, c := range map[string]struct {
		embedded string
		has      []string
		stands   map[string]string // for what
	}{
		"anybody on this machine":  {"", nil, nil},
		"a name and a secret":      {"nodes_only: true", []string{"-u first-node -P SECRET"}, nil},
		"the same, encrypted":      {"nodes_only: true, " + secure + "}", []string{"--cafile CA.pem", "encrypted (TLS)"}, map[string]string{"CA.pem": ca.file}},
		"a certificate of its own": {secure + fmt.Sprintf(", client_ca: %s, name_from_certificate: true}", ca.file), []string{"--cert NODE.crt"}, map[string]string{"CA.pem": ca.file, "NODE.crt": clientCert, "NODE.key": clientKey}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			embedded := "listen: '127.0.0.1:0'"
			if c.embedded != "" {
				embedded += ", " + c.embedded
			}
			require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte("listen: 127.0.0.1:0\nmqtt:\n  embedded: {"+embedded+"}\n"+twoYards), 0o600))
			d := startDaemon(t, dir)
			_, page := d.get("/")
			page = html.UnescapeString(page)
			for _, words := range c.has {
				require.Contains(t, page, words)
			}
			command := func(begins string) string {
				t.Helper()
				found := regexp.MustCompile(`(?m)<code>(` + begins + ` .*)</code></pre>`).FindStringSubmatch(page)
				require.NotNil(t, found, page)
				return found[1]
			}
			line := command("mosquitto_pub")
			for what, is := range c.stands {
				line = strings.ReplaceAll(line, what, is)
			}
			if c.embedded != "" {
				code, secret, complaints := outyardIn(t, dir, nil, strings.Fields(command("outyard node add"))[1:]...)
				require.Zero(t, code, complaints)
				line = strings.ReplaceAll(line, "SECRET", strings.TrimSpace(secret))
			}
			out, err := exec.CommandContext(t.Context(), "sh", "-c", line).CombinedOutput()
			require.NoError(t, err, "%s\n%s", line, out)
			require.Len(t, stored(t, dir), 1)
		})
	}
}
