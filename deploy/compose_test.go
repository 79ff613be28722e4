package deploy_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard/configs"
)

// TestCompose reads what it takes a container engine to run: nothing is open to
// other machines, everything is of a version, what is mounted is there, and the
// daemon takes its config.
func TestCompose(t *testing.T) {
	var c struct {
		Services map[string]struct {
			Image, User    string
			Ports, Volumes []string
			Secrets        []string
			CapDrop        []string `yaml:"cap_drop"`
			SecurityOpt    []string `yaml:"security_opt"`
			DependsOn      []string `yaml:"depends_on"`
		}
		Volumes map[string]any
		Secrets map[string]struct{ File string }
	}
	read(t, "compose.yaml", &c)
	require.Len(t, c.Services, 4)
	made, err := os.ReadFile("compose/secrets.sh")
	require.NoError(t, err)
	// Made by secrets.sh, under its plain name.
	isMade := func(file string) {
		require.Contains(t, string(made), filepath.Base(file), "compose/secrets.sh does not make %s", file)
	}
	for name, s := range c.Services {
		require.Regexp(t, `:(v?\d+\.\d+\.\d+|local)$`, s.Image, name)
		require.Equal(t, []string{"ALL"}, s.CapDrop, name)
		require.Contains(t, s.SecurityOpt, "no-new-privileges:true", name)
		for _, p := range s.Ports {
			require.True(t, strings.HasPrefix(p, "127.0.0.1:"), "%s publishes %s to everybody", name, p)
		}
		for _, v := range s.Volumes {
			from, _, _ := strings.Cut(v, ":")
			switch {
			case strings.HasPrefix(from, "./compose/secrets/"):
				isMade(from)
			case strings.HasPrefix(from, "./"):
				require.FileExists(t, from, name)
				require.True(t, strings.HasSuffix(v, ":ro"), "%s may write %s", name, from)
			default:
				require.Contains(t, c.Volumes, from, name)
			}
		}
		for _, secret := range s.Secrets {
			require.Contains(t, c.Secrets, secret, name)
			isMade(c.Secrets[secret].File)
		}
		for _, other := range s.DependsOn {
			require.Contains(t, c.Services, other, name)
		}
	}
	// The config reads those secrets alone that the service is given.
	config, err := os.ReadFile("compose/outyard.yaml")
	require.NoError(t, err)
	for _, m := range regexp.MustCompile(`/run/secrets/([\w.-]+)`).FindAllStringSubmatch(string(config), -1) {
		require.Contains(t, c.Services["outyard"].Secrets, m[1])
	}
	out, err := runs(t, "compose", "promtool", "check", "config", "--syntax-only", "prometheus.yaml")
	require.NoError(t, err, out)
}

// TestSecretsOfCompose makes them, twice: the second time changes nothing. With
// them the config of outyard is right.
func TestSecretsOfCompose(t *testing.T) {
	dir := t.TempDir()
	script, err := os.ReadFile("compose/secrets.sh")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "secrets.sh"), script, 0o700))
	out, err := runs(t, dir, "bash", "secrets.sh")
	require.NoError(t, err, out)
	first, err := os.ReadFile(filepath.Join(dir, "secrets", "influx-token"))
	require.NoError(t, err)
	require.Regexp(t, `^[0-9a-f]{48}\n$`, string(first))
	out, err = runs(t, dir, "bash", "secrets.sh")
	require.NoError(t, err, out)
	again, err := os.ReadFile(filepath.Join(dir, "secrets", "influx-token"))
	require.NoError(t, err)
	require.Equal(t, first, again)
	out, err = runs(t, dir, "openssl", "verify", "-CAfile", "secrets/ca.crt", "-verify_hostname", "mosquitto", "secrets/server.crt")
	require.NoError(t, err, out)

	config, err := os.ReadFile("compose/outyard.yaml")
	require.NoError(t, err)
	mounted := strings.NewReplacer("/run/secrets/", filepath.Join(dir, "secrets")+"/", "/etc/outyard/ca.crt", filepath.Join(dir, "secrets", "ca.crt")).Replace(string(config))
	file := filepath.Join(dir, "outyard.yaml")
	require.NoError(t, os.WriteFile(file, []byte(mounted), 0o600))
	cfg, err := configs.Load(file, nil)
	require.NoError(t, err)
	require.True(t, cfg.TLS.On())
	require.Equal(t, strings.TrimSpace(string(first)), cfg.Store.Influx.Token.Reveal())
	require.Equal(t, "tls://mosquitto:8883", cfg.MQTT.Broker.Place())
}
