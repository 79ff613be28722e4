package main

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"testing"

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
