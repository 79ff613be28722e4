package web

import (
	"compress/gzip"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestHTTPAsItIsWritten holds what RFC 9110 asks of every server, over all
// routes.
func TestHTTPAsItIsWritten(t *testing.T) {
	db, o := seedTold(t), whole(testOptions())
	srv, _ := visit(t, db, o)
	client := &http.Client{Transport: &http.Transport{DisableCompression: true}, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	t.Cleanup(client.CloseIdleConnections)
	ask := func(method, path string, header ...string) (*http.Response, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, srv.URL+path, nil)
		require.NoError(t, err)
		for i := 0; i+1 < len(header); i += 2 {
			req.Header.Set(header[i], header[i+1])
		}
		resp, err := client.Do(req)
		require.NoError(t, err, "%s %s", method, path)
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		return resp, string(body)
	}
	for _, path := range readable(t, db, o) {
		got, body := ask(http.MethodGet, path)
		head, nothing := ask(http.MethodHead, path)
		require.Equal(t, got.StatusCode, head.StatusCode, "%s: HEAD answers as GET does (§9.3.2)", path)
		require.Equal(t, got.Header.Get("Content-Type"), head.Header.Get("Content-Type"), path)
		require.Empty(t, nothing, path)
		if path != "/metrics" && got.StatusCode != http.StatusSeeOther {
			require.NotEmpty(t, got.Header.Get("Cache-Control"), path)
		}
		if tag := got.Header.Get("ETag"); tag != "" && got.Header.Get("Set-Cookie") == "" && !strings.Contains(body, `name="token"`) {
			again, nothing := ask(http.MethodGet, path, "If-None-Match", tag)
			require.Equal(t, http.StatusNotModified, again.StatusCode, "%s (§13.1.2)", path)
			require.Empty(t, nothing, path)
			require.Equal(t, tag, again.Header.Get("ETag"), "%s (§15.4.5)", path)
		}
		wrong, _ := ask(http.MethodDelete, path)
		if path == "" || path == "/api/" {
			continue // what answers everything else
		}
		require.Equal(t, http.StatusMethodNotAllowed, wrong.StatusCode, path)
		require.Contains(t, wrong.Header.Get("Allow"), "GET, HEAD", "%s (§15.5.6)", path)
	}
	wrong, _ := ask(http.MethodDelete, "/api/v1/journal/an-entry")
	require.Equal(t, "PUT", wrong.Header.Get("Allow"))
	wrong, _ = ask(http.MethodPut, "/journal")
	require.Equal(t, "GET, HEAD, POST", wrong.Header.Get("Allow"))
	stream, _ := ask(http.MethodHead, "/events")
	require.Equal(t, "text/event-stream", stream.Header.Get("Content-Type"), "and it ends")

	plain, text := ask(http.MethodGet, "/")
	require.Empty(t, plain.Header.Get("Content-Encoding"))
	for accept, packed := range map[string]bool{"gzip": true, "br, GZIP;q=0.5": true, "*": true, "gzip;q=0": false, "gzip; q=0, *": false, "br": false, "*;q=0": false, "identity, notgzip": false} {
		resp, body := ask(http.MethodGet, "/", "Accept-Encoding", accept)
		require.Contains(t, resp.Header.Values("Vary"), "Accept-Encoding", accept)
		if !packed {
			require.Empty(t, resp.Header.Get("Content-Encoding"), "%q (§12.5.3)", accept)
			continue
		}
		require.Equal(t, "gzip", resp.Header.Get("Content-Encoding"), accept)
		z, err := gzip.NewReader(strings.NewReader(body))
		require.NoError(t, err, accept)
		unpacked, err := io.ReadAll(z)
		require.NoError(t, err, accept)
		require.Equal(t, text, string(unpacked), accept)
	}

	for _, name := range []string{"style.css", "page.js", "icon.svg"} {
		kept, _ := ask(http.MethodGet, staticURL(name))
		require.Equal(t, "public, max-age=31536000, immutable", kept.Header.Get("Cache-Control"), "%s, by the mark of its content", name)
		asked, _ := ask(http.MethodGet, "/static/"+name+"?v=of-before")
		require.NotContains(t, asked.Header.Get("Cache-Control"), "immutable", "%s, by another mark", name)
	}
}
