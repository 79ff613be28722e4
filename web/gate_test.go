package web

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

const rightPassword = "thyme and clover"

// withAccounts adds an account of each role, named as the role is, with one
// password.
func withAccounts(t *testing.T, db *sqlite.Store) {
	t.Helper()
	hash, err := HashPassword(rightPassword)
	require.NoError(t, err)
	for _, role := range outyard.Roles {
		require.NoError(t, db.AddKeeper(t.Context(), outyard.Keeper{Name: string(role), Role: role, Added: testNow}, hash))
	}
}

// A guest is a browser, with its own cookies, that follows no redirect.
type guest struct {
	t    *testing.T
	base string
	http *http.Client
}

func newGuest(t *testing.T, srv *httptest.Server) *guest {
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	return &guest{t, srv.URL, &http.Client{Jar: jar, Transport: srv.Client().Transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

func (g *guest) send(method, path, kind, body string, header ...string) (*http.Response, string) {
	g.t.Helper()
	req, err := http.NewRequestWithContext(g.t.Context(), method, g.base+path, strings.NewReader(body))
	require.NoError(g.t, err)
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := g.http.Do(req)
	require.NoError(g.t, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	require.NoError(g.t, err)
	return resp, string(b)
}

func (g *guest) get(path string, header ...string) (*http.Response, string) {
	g.t.Helper()
	return g.send("GET", path, "", "", header...)
}

var formToken = regexp.MustCompile(`name="token" value="([^"]+)"`)

// post sends a form with the token that the page at from gives.
func (g *guest) post(from, path string, form url.Values) (*http.Response, string) {
	g.t.Helper()
	_, body := g.get(from)
	found := formToken.FindStringSubmatch(body)
	require.NotNil(g.t, found, "%s has no form", from)
	form.Set("token", found[1])
	return g.send("POST", path, "application/x-www-form-urlencoded", form.Encode())
}

func (g *guest) signIn(name, password, next string) (*http.Response, string) {
	g.t.Helper()
	return g.post("/sign-in", "/sign-in", url.Values{"name": {name}, "password": {password}, "next": {next}})
}

func (g *guest) signedIn(name string) *guest {
	g.t.Helper()
	resp, body := g.signIn(name, rightPassword, "")
	require.Equal(g.t, http.StatusSeeOther, resp.StatusCode, body)
	return g
}

// guarded serves a season with accounts, by a clock that the test moves.
func guarded(t *testing.T, o Options) (*httptest.Server, *sqlite.Store, *time.Time) {
	t.Helper()
	db := seedTold(t)
	withAccounts(t, db)
	now := testNow
	o = whole(o)
	o.Accounts, o.Loopback, o.Now = db, true, func() time.Time { return now }
	srv := httptest.NewServer(New(db, o))
	t.Cleanup(srv.Close)
	return srv, db, &now
}

// needed is what each route needs that is not reading for a GET and everything
// for the rest: the list that is held against the routes as they are.
var needed = map[string]need{
	"GET /sign-in": nothing, "POST /sign-in": nothing, "GET /do/{token}": nothing, "POST /do/{token}": nothing,
	"GET /static/{file}": nothing, "GET /healthz": nothing, "GET /readyz": nothing, "GET /metrics": nothing,
	"GET /api/v1/openapi.json": nothing,
	"POST /you/password":       reading, "POST /you/sign-out": reading,
	"POST /journal": writing, "POST /journal/{id}": writing, "POST /findings/{id}/answer": writing,
	"POST /api/v1/journal": writing, "PUT /api/v1/journal/{id}": writing,
}

func TestEveryRouteAsksWhoIsThere(t *testing.T) {
	srv, db, _ := guarded(t, testOptions())
	o := whole(testOptions())
	o.Accounts, o.Loopback = db, true
	bearers := map[string]string{}
	for _, role := range outyard.Roles {
		for _, scope := range outyard.Scopes {
			secret := "secret of " + string(role) + " " + string(scope)
			require.NoError(t, db.AddToken(t.Context(), store.Token{ID: string(role + "-" + outyard.Role(scope)), Keeper: outyard.Keeper{Name: string(role)}, Scope: scope, Made: testNow}, SecretHash(secret)))
			bearers[string(role)+" "+string(scope)] = secret
		}
	}
	allowed := map[string]need{
		"keeper all": keeping, "keeper journal": writing, "keeper read": reading,
		"helper all": writing, "helper journal": writing, "helper read": reading,
		"reader all": reading, "reader journal": reading, "reader read": reading,
		"": nothing, "nobody": nothing,
	}
	bearers[""], bearers["nobody"] = "", "no such token"
	tried := 0
	for _, pattern := range newSite(db, o).routes {
		if pattern == "GET /events" { // does not end; see below
			continue
		}
		method, _, bound := strings.Cut(pattern, " ")
		want, special := needed[pattern]
		switch {
		case special:
		case method == "GET" || !bound:
			want, method = reading, "GET"
		default:
			want = keeping
		}
		for who, may := range allowed {
			var header []string
			if bearers[who] != "" {
				header = []string{"Authorization", "Bearer " + bearers[who]}
			}
			resp, body := newGuest(t, srv).send(method, example(t, db, pattern), "", "", header...)
			what := fmt.Sprintf("%s by %q: %s %s", pattern, who, resp.Status, body)
			known := who != "" && who != "nobody"
			tried++
			switch {
			case may >= want && want == nothing && strings.Contains(pattern, "sign-in"):
				require.NotEqual(t, http.StatusUnauthorized, resp.StatusCode, what)
			case may >= want: // what it does with nothing in it is another matter
				require.NotEqual(t, http.StatusUnauthorized, resp.StatusCode, what)
				require.NotContains(t, resp.Header.Get("Location"), "/sign-in", what)
				require.NotContains(t, body, "account "+strings.Fields(who + " x")[0]+" is a", what)
				require.NotContains(t, body, "which is not enough", what)
			case known:
				require.Equal(t, http.StatusForbidden, resp.StatusCode, what)
			case method == "GET" && !strings.HasPrefix(example(t, db, pattern), "/api/"):
				require.Equal(t, http.StatusSeeOther, resp.StatusCode, what)
				require.True(t, strings.HasPrefix(resp.Header.Get("Location"), "/sign-in?next=%2F"), what)
			default:
				require.Equal(t, http.StatusUnauthorized, resp.StatusCode, what)
				require.Contains(t, resp.Header.Get("WWW-Authenticate"), "Bearer", what)
			}
		}
	}
	require.Greater(t, tried, 400)
	resp, _ := newGuest(t, srv).get("/events")
	require.Equal(t, http.StatusSeeOther, resp.StatusCode)
}

func TestANoteOutlivesTheSession(t *testing.T) {
	srv, db, _ := guarded(t, testOptions())
	g := newGuest(t, srv).signedIn("helper")
	_, page := g.get("/journal")
	require.NoError(t, db.SetPassword(t.Context(), "helper", "another"))
	resp, body := g.send("POST", "/journal", "application/x-www-form-urlencoded", url.Values{"place": {"heron-point/h02"}, "kind": {"visit"},
		"time": {"2027-05-14T10:00"}, "note": {"Queen <seen>."}, "token": {formToken.FindStringSubmatch(page)[1]}}.Encode())
	require.Equal(t, http.StatusUnauthorized, resp.StatusCode)
	contains(t, textOfPage(body), "You are not signed in any more", "Queen <seen>.")
	require.NotContains(t, body, "<seen>")
}

func TestMetricsBehindAProxyWantAToken(t *testing.T) {
	o := testOptions()
	srv, _, _ := guarded(t, o)
	resp, _ := newGuest(t, srv).get("/metrics")
	require.Equal(t, http.StatusOK, resp.StatusCode, "on this machine alone")
	o.PagesAt = "https://bees.example"
	srv, db, _ := guarded(t, o)
	resp, _ = newGuest(t, srv).get("/metrics")
	require.NotEqual(t, http.StatusOK, resp.StatusCode)
	require.NoError(t, db.AddToken(t.Context(), store.Token{ID: "m", Keeper: outyard.Keeper{Name: "reader"}, Scope: outyard.ScopeRead, Made: testNow}, SecretHash("metrics")))
	resp, _ = newGuest(t, srv).get("/metrics", "Authorization", "Bearer metrics")
	require.Equal(t, http.StatusOK, resp.StatusCode)
}

func TestWithoutAnAccountThisMachineMayDoEverything(t *testing.T) {
	o := testOptions()
	db := seedTold(t)
	o.Accounts, o.Loopback = db, true
	_, get := visit(t, db, o)
	for _, path := range []string{"/", "/journal", "/api/v1/findings"} {
		status, body, _ := get(path)
		require.Equal(t, http.StatusOK, status, body)
	}
	o.Loopback = false // served to others as well
	srv, _ := visit(t, db, o)
	resp, _ := newGuest(t, srv).get("/")
	require.Equal(t, http.StatusSeeOther, resp.StatusCode)
	resp, body := newGuest(t, srv).get("/sign-in")
	require.Equal(t, http.StatusOK, resp.StatusCode)
	contains(t, body, "outyard keeper add")
	require.NotContains(t, body, "<form")
}

func TestSignInAndOut(t *testing.T) {
	srv, _, _ := guarded(t, testOptions())
	g := newGuest(t, srv)
	resp, body := g.signIn("keeper", "wrong and long enough", "/nodes")
	require.Equal(t, http.StatusUnprocessableEntity, resp.StatusCode)
	contains(t, body, "do not belong together", `value="/nodes"`, `value="keeper"`)
	require.NotContains(t, body, "wrong and long")
	_, unknown := g.signIn("no-such-name", rightPassword, "")
	contains(t, unknown, "do not belong together")

	resp, _ = g.signIn(" Keeper ", rightPassword, "/nodes?x=1")
	require.Equal(t, http.StatusSeeOther, resp.StatusCode)
	require.Equal(t, "/nodes?x=1", resp.Header.Get("Location"))
	cookie := resp.Header.Get("Set-Cookie")
	contains(t, cookie, sessionCookie, "HttpOnly", "SameSite=Lax", "Path=/")
	_, body = g.get("/")
	contains(t, body, `href="/you"`, "keeper")
	_, body = g.get("/you")
	contains(t, body, "as a keeper, who may do everything", "Sign out")

	resp, _ = g.post("/you", "/you/sign-out", url.Values{})
	require.Equal(t, "/sign-in?out=1", resp.Header.Get("Location"))
	resp, _ = g.get("/")
	require.Equal(t, http.StatusSeeOther, resp.StatusCode)
	resp, _ = newGuest(t, srv).get("/", "Cookie", strings.Split(cookie, ";")[0])
	require.Equal(t, http.StatusSeeOther, resp.StatusCode, "the session is over, not just forgotten by its browser")
}

func TestWhereSigningInLeads(t *testing.T) {
	for next, want := range map[string]string{
		"/yards/heron-point?from=2027-05-01": "/yards/heron-point?from=2027-05-01",
		"":                                   "/", "https://elsewhere.example/": "/", "//elsewhere.example/": "/", `/\elsewhere.example`: "/",
		"/%2felsewhere.example": "/", "javascript:alert(1)": "/", "nodes": "/", "/sign-in?next=/": "/", "/\nx": "/", "/%5celsewhere.example": "/%5celsewhere.example",
		"http:/nodes": "/", "///elsewhere.example": "/",
	} {
		require.Equal(t, want, within(next), next)
	}
}

func TestASessionIsMadeAnewAndEnds(t *testing.T) {
	srv, db, now := guarded(t, testOptions())
	base, err := url.Parse(srv.URL)
	require.NoError(t, err)
	cookieOf := func(g *guest) string {
		for _, c := range g.http.Jar.Cookies(base) {
			if c.Name == sessionCookie {
				return c.Value
			}
		}
		return ""
	}
	in := func(g *guest) bool {
		resp, _ := g.get("/nodes")
		return resp.StatusCode == http.StatusOK
	}

	// What was there before somebody signs in is no session after.
	fixed := newGuest(t, srv)
	fixed.http.Jar.SetCookies(base, []*http.Cookie{{Name: sessionCookie, Value: "chosen-by-somebody-else", Path: "/"}})
	fixed.signedIn("keeper")
	require.NotEqual(t, "chosen-by-somebody-else", cookieOf(fixed))
	forged := newGuest(t, srv)
	forged.http.Jar.SetCookies(base, []*http.Cookie{{Name: sessionCookie, Value: "chosen-by-somebody-else", Path: "/"}})
	require.False(t, in(forged))
	first := cookieOf(fixed)
	forged.http.Jar.SetCookies(base, []*http.Cookie{{Name: sessionCookie, Value: first[:len(first)-1] + "x", Path: "/"}})
	require.False(t, in(forged), "one letter is another")

	g := newGuest(t, srv).signedIn("helper")
	*now = now.Add(sessionIdle - time.Minute)
	require.True(t, in(g), "used each month")
	*now = now.Add(sessionIdle - time.Minute)
	require.True(t, in(g))
	require.False(t, in(fixed), "not used for too long")
	for range 8 {
		*now = now.Add(25 * 24 * time.Hour)
		in(g)
	}
	require.False(t, in(g), "half a year is the most")

	// Another password, another role and the end of the account count at once.
	g, elsewhere := newGuest(t, srv).signedIn("helper"), newGuest(t, srv).signedIn("helper")
	resp, body := g.post("/you", "/you/password", url.Values{"old": {rightPassword}, "new": {"short"}})
	require.Equal(t, http.StatusUnprocessableEntity, resp.StatusCode)
	contains(t, body, "want 10 at the least")
	resp, _ = g.post("/you", "/you/password", url.Values{"old": {"not it at all"}, "new": {"willow in spring"}})
	require.Equal(t, http.StatusUnprocessableEntity, resp.StatusCode)
	require.True(t, in(elsewhere))
	resp, body = g.post("/you", "/you/password", url.Values{"old": {rightPassword}, "new": {"willow in spring"}})
	require.Equal(t, "/you?changed=1", resp.Header.Get("Location"), body)
	require.True(t, in(g))
	require.False(t, in(elsewhere))
	require.NoError(t, db.SetRole(t.Context(), "helper", outyard.RoleReader))
	resp, body = g.send("POST", "/api/v1/journal", "application/json", `{"yard":"heron-point","kind":"note","note":"x"}`)
	require.Equal(t, http.StatusForbidden, resp.StatusCode, body)
	require.NoError(t, db.RemoveKeeper(t.Context(), "helper"))
	require.False(t, in(g))
}

func TestGuessingIsSlowed(t *testing.T) {
	srv, _, now := guarded(t, testOptions())
	g := newGuest(t, srv)
	for range triesFrom {
		resp, _ := g.signIn("keeper", "a guess at it", "")
		require.Equal(t, http.StatusUnprocessableEntity, resp.StatusCode)
	}
	resp, body := g.signIn("keeper", rightPassword, "")
	require.Equal(t, http.StatusTooManyRequests, resp.StatusCode, "the right one, too: else it would tell")
	require.Equal(t, "60", resp.Header.Get("Retry-After"))
	contains(t, body, "Wait 60 seconds")
	*now = now.Add(triesFromEvery)
	resp, _ = g.signIn("keeper", rightPassword, "")
	require.Equal(t, http.StatusSeeOther, resp.StatusCode)
}

func TestFromWhere(t *testing.T) {
	tests := []struct{ pagesAt, remote, forwarded, want string }{
		{"", "192.0.2.7:4000", "203.0.113.9", "192.0.2.7"},
		{"https://bees.example", "127.0.0.1:4000", "198.51.100.1, 203.0.113.9", "203.0.113.9"},
		{"https://bees.example", "192.0.2.7:4000", "203.0.113.9", "192.0.2.7"},
		{"https://bees.example", "127.0.0.1:4000", "nonsense", "127.0.0.1"},
		{"", "[2001:db8:1:2:3:4:5:6]:4000", "", "2001:db8:1:2::/64"},
		{"", "[::ffff:192.0.2.7]:4000", "", "192.0.2.7"},
	}
	for _, tt := range tests {
		s := &site{Options: Options{PagesAt: tt.pagesAt}}
		r := &http.Request{RemoteAddr: tt.remote, Header: http.Header{"X-Forwarded-For": {tt.forwarded}}}
		require.Equal(t, tt.want, s.from(r), "%+v", tt)
	}
}

func TestFormsOfOtherSitesChangeNothing(t *testing.T) {
	srv, db, _ := guarded(t, testOptions())
	g := newGuest(t, srv).signedIn("keeper")
	form := url.Values{"place": {"heron-point/h02"}, "kind": {"visit"}, "time": {"2027-05-14T10:00"}, "note": {"not mine"}}.Encode()
	const kind = "application/x-www-form-urlencoded"
	resp, _ := g.send("POST", "/journal", kind, form, "Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site")
	require.Equal(t, http.StatusForbidden, resp.StatusCode)
	resp, _ = g.send("POST", "/journal", kind, form) // a browser too old to say where it comes from
	require.Equal(t, http.StatusForbidden, resp.StatusCode)
	resp, _ = g.send("POST", "/you/sign-out", kind, "token=x")
	require.Equal(t, http.StatusForbidden, resp.StatusCode)
	resp, _ = g.send("POST", "/api/v1/journal", "text/plain", `{"yard":"heron-point","kind":"note","note":"not mine"}`, "Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site")
	require.Equal(t, http.StatusForbidden, resp.StatusCode)
	other := newGuest(t, srv).signedIn("helper")
	_, page := other.get("/journal")
	theirs := formToken.FindStringSubmatch(page)[1]
	resp, _ = g.send("POST", "/journal", kind, form+"&token="+url.QueryEscape(theirs))
	require.Equal(t, http.StatusForbidden, resp.StatusCode, "a token of another browser")
	at, err := url.Parse(srv.URL)
	require.NoError(t, err)
	for _, c := range other.http.Jar.Cookies(at) {
		if c.Name == tokenCookie {
			g.http.Jar.SetCookies(at, []*http.Cookie{{Name: c.Name, Value: c.Value, Path: "/"}})
		}
	}
	resp, _ = g.send("POST", "/journal", kind, form+"&token="+url.QueryEscape(theirs))
	require.Equal(t, http.StatusForbidden, resp.StatusCode, "not even with the cookie that it belongs to planted here")
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point"})
	require.NoError(t, err)
	for _, e := range es {
		require.NotEqual(t, "not mine", e.Note)
	}
}

func TestWhoWroteStandsInTheJournal(t *testing.T) {
	srv, db, _ := guarded(t, testOptions())
	g := newGuest(t, srv).signedIn("helper")
	resp, body := g.post("/findings/"+swarmID+"/answer", "/findings/"+swarmID+"/answer", url.Values{"do": {"mine"}, "kind": {"split"}})
	require.Equal(t, http.StatusSeeOther, resp.StatusCode, body)
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point"})
	require.NoError(t, err)
	found := false
	for _, e := range es {
		found = found || e.Kind == outyard.Split && e.By == "helper"
	}
	require.True(t, found, "%+v", es)
	_, page := g.get("/findings/" + swarmID + "/answer")
	require.NotContains(t, page, "I will see to it", "a helper writes the journal, and no more")
	resp, body = g.post("/findings/"+swarmID+"/answer", "/findings/"+swarmID+"/answer", url.Values{"do": {"seen"}})
	require.Equal(t, http.StatusForbidden, resp.StatusCode)
	contains(t, body, "who reads everything and writes the journal")
	reader := newGuest(t, srv).signedIn("reader")
	_, page = reader.get("/journal")
	require.NotContains(t, page, "<form class=\"write\"")
}

func TestTokensEnd(t *testing.T) {
	o := testOptions()
	o.OwnToken = "of the daemon itself"
	srv, db, now := guarded(t, o)
	require.NoError(t, db.AddToken(t.Context(), store.Token{ID: "t1", Keeper: outyard.Keeper{Name: "keeper"}, Scope: outyard.ScopeAll, Made: *now, Expires: now.Add(time.Hour)}, SecretHash("good for an hour")))
	g := newGuest(t, srv)
	status := func(auth string) int {
		resp, _ := g.get("/api/v1/yards", "Authorization", auth)
		return resp.StatusCode
	}
	require.Equal(t, 200, status("Bearer good for an hour"))
	require.Equal(t, 200, status("bearer of the daemon itself"))
	require.Equal(t, 401, status("Basic good for an hour"))
	require.Equal(t, 401, status("Bearer "))
	ts, err := db.Tokens(t.Context(), "keeper")
	require.NoError(t, err)
	require.Equal(t, *now, ts[0].Used.In(now.Location()))
	*now = now.Add(time.Hour)
	require.Equal(t, 401, status("Bearer good for an hour"))
	require.NoError(t, db.RemoveToken(t.Context(), "t1"))
	require.ErrorIs(t, db.RemoveToken(context.Background(), "t1"), store.ErrNotFound)
	_, body := g.get("/api/v1/yards")
	var problem struct{ Status int }
	require.NoError(t, json.Unmarshal([]byte(body), &problem))
	require.Equal(t, 401, problem.Status)
}

func TestPasswords(t *testing.T) {
	hash, err := HashPassword("ünd noch ein Wort")
	require.NoError(t, err)
	require.True(t, isPassword("ünd noch ein Wort", hash))
	require.False(t, isPassword("und noch ein Wort", hash))
	require.False(t, isPassword("", nobody))
	again, err := HashPassword("ünd noch ein Wort")
	require.NoError(t, err)
	require.NotEqual(t, hash, again)
	for _, bad := range []string{"", "plain", "$argon2id$v=19$m=19456,t=2,p=1$$", hashMark + "!$!"} {
		require.False(t, isPassword("plain", bad), bad)
	}
	_, err = HashPassword("nine char")
	require.ErrorContains(t, err, "has 9 characters: want 10")
	_, err = HashPassword(strings.Repeat("long", 200))
	require.ErrorContains(t, err, "want 512 at most")
}

// Somebody who leaves before it is known who it is has done nothing that the
// keeper should read of in the log.
func TestWhoLeavesAtTheDoorIsNoError(t *testing.T) {
	db := seedTold(t)
	withAccounts(t, db)
	var log strings.Builder
	o := whole(Options{})
	o.Accounts, o.Log = db, slog.New(slog.NewTextHandler(&log, nil))
	ctx, leave := context.WithCancel(t.Context())
	leave()
	o.Loopback = true
	New(db, o).ServeHTTP(httptest.NewRecorder(), httptest.NewRequestWithContext(ctx, "GET", "http://localhost/yards", nil))
	require.NotContains(t, log.String(), "ERROR")
}

func TestAGateThatWasForgottenIsShut(t *testing.T) {
	o := testOptions()
	o.Everybody = false
	srv, _ := visit(t, seed(t), o)
	g := newGuest(t, srv)
	for _, path := range []string{"/", "/yards/heron-point", "/api/v1/readings"} {
		resp, body := g.send(http.MethodGet, path, "", "")
		require.NotEqual(t, http.StatusOK, resp.StatusCode, path)
		require.NotContains(t, body, "Heron Point")
	}
}

func TestACommandLeavesWhoWroteAnEntry(t *testing.T) {
	o := testOptions()
	o.OwnToken = "of-the-daemon"
	srv, db, _ := guarded(t, o)
	e, err := db.AddEntry(t.Context(), outyard.Entry{Time: testNow, Yard: "heron-point", Hive: "h02", Kind: outyard.BoxOn, Kg: 61, By: "maya"})
	require.NoError(t, err)
	// What "journal fix" sends.
	resp, body := newGuest(t, srv).send(http.MethodPut, "/api/v1/journal/"+e.ID, "application/json",
		`{"time":"2027-05-14T16:30:20Z","yard":"heron-point","hive":"h02","kind":"box-on","kg":6.1}`, "Authorization", "Bearer of-the-daemon")
	require.Equal(t, http.StatusOK, resp.StatusCode, body)
	versions, err := db.EntryVersions(t.Context(), e.ID)
	require.NoError(t, err)
	require.Len(t, versions, 2)
	require.InDelta(t, 6.1, versions[1].Kg, 0)
	require.Equal(t, "maya", versions[1].By)
}
