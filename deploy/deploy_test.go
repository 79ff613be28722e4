package deploy_test

import (
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

const patience = time.Minute

// program finds a program that the tests cannot do without.
func program(t *testing.T, name string) string {
	t.Helper()
	for _, at := range []string{name, "/usr/sbin/" + name, filepath.Join(goPath(t), "bin", name)} {
		if path, err := exec.LookPath(at); err == nil {
			return path
		}
	}
	t.Fatalf("%s is needed for this test: make needs", name)
	return ""
}

func goPath(t *testing.T) string {
	t.Helper()
	out, err := exec.Command("go", "env", "GOPATH").Output()
	require.NoError(t, err)
	return strings.TrimSpace(string(out))
}

// runs runs a program in a folder, and returns what it printed.
func runs(t *testing.T, dir, name string, args ...string) (string, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	cmd := exec.CommandContext(ctx, program(t, name), args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	return string(out), err
}

func TestRules(t *testing.T) {
	for _, args := range [][]string{
		{"check", "rules", "outyard.rules.yaml"},
		{"check", "config", "prometheus.yaml"},
		{"test", "rules", "outyard.rules.test.yaml"},
	} {
		out, err := runs(t, "prometheus", "promtool", args...)
		require.NoError(t, err, "promtool %s: %s", strings.Join(args, " "), out)
	}
	// Each rule is tested to speak, and to be silent.
	var rules struct {
		Groups []struct{ Rules []struct{ Alert string } }
	}
	read(t, "prometheus/outyard.rules.yaml", &rules)
	var tests struct {
		Tests []struct {
			AlertRuleTest []struct {
				Alertname string `yaml:"alertname"`
				ExpAlerts []any  `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
		}
	}
	read(t, "prometheus/outyard.rules.test.yaml", &tests)
	speaks, silent := map[string]bool{}, map[string]bool{}
	for _, test := range tests.Tests {
		for _, at := range test.AlertRuleTest {
			speaks[at.Alertname] = speaks[at.Alertname] || len(at.ExpAlerts) > 0
			silent[at.Alertname] = silent[at.Alertname] || len(at.ExpAlerts) == 0
		}
	}
	require.NotEmpty(t, rules.Groups)
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			require.True(t, speaks[r.Alert] && silent[r.Alert], "%s has no test of when it speaks, or of when it is silent", r.Alert)
		}
	}
}

func read(t *testing.T, file string, into any) {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, yaml.Unmarshal(text, into), file)
}

// The exposure that systemd-analyze reckons, from 0 (locked up) to 10 times 10:
// what is left is the network, without which there is no daemon.
const mostExposed = "15"

func TestUnit(t *testing.T) {
	// The unit's program is not on this machine: a stand-in that is.
	text, err := os.ReadFile("outyard.service")
	require.NoError(t, err)
	dir := t.TempDir()
	standIn := strings.ReplaceAll(string(text), "/usr/bin/outyard", "/bin/true")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.service"), []byte(standIn), 0o644))
	out, err := runs(t, dir, "systemd-analyze", "verify", "--man=no", "./outyard.service")
	require.NoError(t, err, out)
	// It warns of a key that it does not know, and is content.
	for line := range strings.Lines(out) {
		require.NotContains(t, line, "outyard.service", "systemd-analyze verify")
	}
	out, err = runs(t, dir, "systemd-analyze", "security", "--offline=true", "--threshold="+mostExposed, "./outyard.service")
	require.NoError(t, err, out)
}

func TestScripts(t *testing.T) {
	files := []string{"../.ci/run", "debian/postinst", "debian/prerm", "debian/postrm", "compose/secrets.sh"}
	more, err := filepath.Glob("*.sh")
	require.NoError(t, err)
	require.NotEmpty(t, more)
	out, err := runs(t, ".", "shellcheck", append(files, more...)...)
	require.NoError(t, err, out)
}

// A broker is Debian's, with the config and the list of permissions that lie
// here, in a folder of the test.
func startBroker(t *testing.T) (port, ca string) {
	t.Helper()
	dir := t.TempDir()
	for _, args := range [][]string{
		{"req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2", "-subj", "/CN=test authority", "-keyout", "ca.key", "-out", "ca.crt"},
		{"req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj", "/CN=localhost", "-keyout", "server.key", "-out", "server.csr"},
		{"x509", "-req", "-in", "server.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", "server.ext", "-out", "server.crt"},
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "server.ext"), []byte("subjectAltName=DNS:localhost\n"), 0o600))
		out, err := runs(t, dir, "openssl", args...)
		require.NoError(t, err, out)
	}
	for _, user := range []string{"outyard", "heron-point-gateway"} {
		args := []string{"-b", "passwd", user, "secret-of-" + user}
		if user == "outyard" {
			args = append([]string{"-c"}, args...)
		}
		out, err := runs(t, dir, "mosquitto_passwd", args...)
		require.NoError(t, err, out)
	}
	acl, err := os.ReadFile("outyard.acl")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.acl"), acl, 0o600))

	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	_, port, err = net.SplitHostPort(free.Addr().String())
	require.NoError(t, err)
	require.NoError(t, free.Close())

	text, err := os.ReadFile("mosquitto.conf")
	require.NoError(t, err)
	conf := regexp.MustCompile(`(?m)^listener 8883$`).ReplaceAllString(string(text), "listener "+port+" 127.0.0.1")
	require.NotEqual(t, string(text), conf, "mosquitto.conf listens elsewhere than this test thinks")
	conf = strings.NewReplacer("/etc/mosquitto/certs", dir, "/etc/mosquitto", dir).Replace(conf)
	// Started by root it would become a user who cannot read our folder.
	conf += "\nuser root\npersistence_location " + dir + "/\n"
	file := filepath.Join(dir, "mosquitto.conf")
	require.NoError(t, os.WriteFile(file, []byte(conf), 0o600))
	broker := exec.Command(program(t, "mosquitto"), "-c", file)
	require.NoError(t, broker.Start())
	ended := make(chan error, 1)
	go func() { ended <- broker.Wait() }()
	t.Cleanup(func() {
		_ = broker.Process.Signal(os.Interrupt) // it may have ended
		<-ended
	})
	deadline := time.Now().Add(patience)
	for {
		conn, err := net.Dial("tcp", net.JoinHostPort("127.0.0.1", port))
		if err == nil {
			require.NoError(t, conn.Close())
			return port, filepath.Join(dir, "ca.crt")
		}
		require.True(t, time.Now().Before(deadline), "mosquitto does not answer: %v", err)
		select {
		case err := <-ended:
			ended <- err
			t.Fatalf("mosquitto ended: %v", err)
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// TestMosquitto tries what the examples for a broker of one's own let through.
func TestMosquitto(t *testing.T) {
	port, ca := startBroker(t)
	gateway := []string{"-u", "heron-point-gateway", "-P", "secret-of-heron-point-gateway"}
	tests := []struct {
		name    string
		options []string
		topic   string
		refused bool
	}{
		{"a node writes its own yard", gateway, "yards/heron-point/hives/h01", false},
		{"and its yard's weather", gateway, "yards/heron-point/weather", false},
		{"with a wrong password it does not", []string{"-u", "heron-point-gateway", "-P", "guess"}, "yards/heron-point/hives/h02", true},
		{"without a name nobody does", nil, "yards/heron-point/hives/h03", true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			args := append([]string{"-h", "localhost", "-p", port, "--cafile", ca, "-q", "1", "-r", "-t", tt.topic, "-m", "x"}, tt.options...)
			out, err := runs(t, ".", "mosquitto_pub", args...)
			if tt.refused {
				var exit *exec.ExitError
				require.True(t, errors.As(err, &exit), "it was let in: %s", out)
				return
			}
			require.NoError(t, err, out)
		})
	}
	// Mosquitto acknowledges what it throws away (to 3.1.1), and says so to 5.
	out, _ := runs(t, ".", "mosquitto_pub", append([]string{"-V", "5", "-h", "localhost", "-p", port, "--cafile", ca, "-q", "1", "-r", "-t", "yards/mill-creek/hives/h01", "-m", "x"}, gateway...)...)
	require.Contains(t, strings.ToLower(out), "not authorized", "another yard's topic")
	// Without TLS there is no answer.
	_, err := runs(t, ".", "mosquitto_pub", append([]string{"-h", "localhost", "-p", port, "-q", "1", "-t", "yards/heron-point/hives/h04", "-m", "x"}, gateway...)...)
	require.Error(t, err)

	// All was to be retained: who subscribes now sees what got through. The
	// second filter's comes after all of the first's, and ends the listening.
	out, err = runs(t, ".", "mosquitto_sub", "-h", "localhost", "-p", port, "--cafile", ca, "-u", "outyard", "-P", "secret-of-outyard",
		"-q", "1", "-t", "yards/#", "-t", "yards/heron-point/weather", "-F", "%t", "-C", "3", "-W", "50")
	require.NoError(t, err, out)
	require.ElementsMatch(t, []string{"yards/heron-point/hives/h01", "yards/heron-point/weather", "yards/heron-point/weather"}, strings.Fields(out))
}
