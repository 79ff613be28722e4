package web

import (
	"context"
	"errors"
	"flag"
	"html"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

var update = flag.Bool("update", false, "rewrite the golden pages; read the difference before committing it")

var (
	tags   = regexp.MustCompile(`(?s)<svg.*?</svg>|<[^>]*>`)
	spaces = regexp.MustCompile(`[ \t]*\n\s*`)
)

// textOfPage is what is left for who reads only the words.
func textOfPage(body string) string {
	_, body, _ = strings.Cut(body, "<main")
	_, body, _ = strings.Cut(body, ">")
	body, _, _ = strings.Cut(body, "</main>")
	return strings.TrimSpace(spaces.ReplaceAllString(html.UnescapeString(tags.ReplaceAllString(body, " ")), "\n")) + "\n"
}

func TestPagesSayWhatTheyDid(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	for name, path := range map[string]string{
		"today": "/", "yards": "/yards", "yard": "/yards/heron-point", "findings": "/findings",
		"hive": "/yards/heron-point/hives/h01", "hive-work-out": "/yards/heron-point/hives/h01?work=out&from=2027-05-08&to=2027-05-12",
	} {
		t.Run(name, func(t *testing.T) {
			status, body, _ := get(path)
			require.Equal(t, http.StatusOK, status)
			golden := filepath.Join("testdata", name+".txt")
			if *update {
				require.NoError(t, os.WriteFile(golden, []byte(textOfPage(body)), 0o644))
			}
			want, err := os.ReadFile(golden)
			require.NoError(t, err)
			require.Empty(t, cmp.Diff(strings.Split(string(want), "\n"), strings.Split(textOfPage(body), "\n")))
		})
	}
}

func TestTodayPutsTheUrgentYardFirst(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	_, body, _ := get("/")
	text := textOfPage(body)
	require.Contains(t, text, "Go to Heron Point if you can")
	heron, alder := strings.Index(text, "Swarm left"), strings.Index(text, "Going damp")
	require.True(t, heron > 0 && heron < alder, "the swarm stands before the damp hive")
	require.Contains(t, text, "never near power lines", "the caution stands with the advice")
	require.NotContains(t, text, "Knocked over", "what was withdrawn asks for nothing")
	require.NotContains(t, strings.Split(text, "Yards, last 7 days")[0], "Flow has begun", "a note asks for no drive")
	require.Contains(t, body, "/yards/heron-point/hives/h03?from=2027-05-07&amp;to=2027-05-14#swarm-heron-point-h03-20270514T1940Z")
	require.Contains(t, body, "No honey for children under twelve months", "a super is asked for")
}

func TestTodayWhenNothingIsOpen(t *testing.T) {
	db := seed(t)
	fs := testFindings()
	for i := range fs {
		if fs[i].Severity != outyard.Note {
			fs[i].State = outyard.Over
		}
	}
	require.NoError(t, db.Tell(t.Context(), store.News{Findings: fs}))
	_, get := visit(t, db, testOptions())
	_, body, _ := get("/")
	contains(t, textOfPage(body), "Nothing needs you today", "8 of 9 hives heard from", "inspections that the season asks for still stand")
}

func TestFirstStepsNameTheRealAddress(t *testing.T) {
	db, err := sqlite.Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer db.Close()
	o := testOptions()
	o.MQTTAddr, o.TopicPrefix = "192.0.2.7:11883", "club/"
	_, get := visit(t, db, o)
	_, body, _ := get("/")
	contains(t, textOfPage(body), "No hive has been heard yet",
		`mosquitto_pub -h 192.0.2.7 -p 11883 -q 1 -t club/yards/alder-bank/hives/h01 -m '[{"n":"weight","u":"kg","v":41.2},{"n":"inside-temp","u":"Cel","v":34.6}]'`)

	plain := o
	o.MQTTDoor = Door{Named: true, As: "outyard", Host: AnyName + ".bees.example", Trust: "--tls-use-os-certs"}
	_, get = visit(t, db, o)
	_, body, _ = get("/")
	contains(t, textOfPage(body), "sudo -u outyard outyard node add first-node --yard alder-bank", "-h NAME.bees.example -p 11883 --tls-use-os-certs", "NAME  stands for the name")
	o.MQTTDoor = Door{Elsewhere: true, WebSockets: true}
	_, get = visit(t, db, o)
	_, body, _ = get("/")
	contains(t, textOfPage(body), "in web sockets", "broker of your own")
	o = plain

	o.MQTTAddr, o.Yards, o.TopicPrefix = "[::]:1883", func() []outyard.Yard { return nil }, ""
	_, get = visit(t, db, o)
	_, body, _ = get("/")
	contains(t, textOfPage(body), "mosquitto_pub -h 127.0.0.1 -p 1883 -q 1 -t yards/home/hives/h01", "names no hive yet")
	o.Auto = true
	_, auto := visit(t, db, o)
	_, body, _ = auto("/")
	contains(t, textOfPage(body), "choose names of your own, for whatever sends gets its place")
	require.NotContains(t, body, "waits to be placed")
	for _, path := range []string{"/yards", "/findings", "/journal"} {
		status, _, _ := get(path)
		require.Equal(t, http.StatusOK, status, path)
	}
	// Whoever got a step wrong learns it above the steps.
	require.NoError(t, db.Refuse(t.Context(), []outyard.Refused{{Topic: "yards/home/hives/h01", Payload: []byte("?"), Arrived: testNow, Reason: "not SenML"}}))
	_, body, _ = get("/")
	require.Contains(t, body, "that could not be read")
	require.Less(t, strings.Index(body, "that could not be read"), strings.Index(body, "mosquitto_pub"))
}

func TestWhatDidNotGetThroughIsShown(t *testing.T) {
	db := seed(t)
	ctx := t.Context()
	require.NoError(t, db.Tell(ctx, store.News{Messages: []outyard.Message{
		{Key: "old", Route: "me", Subject: "Heron Point: a swarm left", Queued: testNow.Add(-3 * time.Hour), Due: testNow, LastErr: "connection refused <mail>"},
		{Key: "new", Route: "me", Subject: "Fresh one", Queued: testNow.Add(-time.Minute), Due: testNow},
	}}))
	require.NoError(t, db.Refuse(ctx, []outyard.Refused{
		{Topic: "yards/x/hives/y", Payload: []byte("?"), Arrived: testNow, Reason: "not SenML"},
		{Topic: "yards/new/hives/h1", Payload: []byte("[]"), Arrived: testNow, Reason: "not in the config", Unplaced: true},
	}))
	_, get := visit(t, db, testOptions())
	_, body, _ := get("/")
	text := textOfPage(body)
	contains(t, text, "Heron Point: a swarm left", "connection refused <mail>", "Came in, but could not be used")
	require.NotContains(t, text, "Fresh one", "an hour's patience")
	require.Regexp(t, `1\s+that could not be read`, text)
	require.Regexp(t, `1\s+from a yard or hive that is not in the config`, text)
}

func TestInventedDataIsMarkedOnEveryPage(t *testing.T) {
	o := testOptions()
	o.Demo = true
	_, get := visit(t, seed(t), o)
	for _, path := range []string{"/", "/yards", "/yards/heron-point", "/yards/heron-point/hives/h01", "/findings", "/journal", "/nodes", "/refused", "/nowhere"} {
		_, body, _ := get(path)
		require.Contains(t, body, "Invented data.", path)
	}
}

// inline is what a strict policy forbids in a page.
var inline = regexp.MustCompile(`(?i)<style|\sstyle\s*=|<script(?:\s[^>]*)?>[^<]|\son[a-z]+\s*=|javascript:|https?://`)

func TestPagesAreSmall(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	total := 0
	for _, path := range []string{"/static/style.css", "/static/page.js", "/static/icon.svg"} {
		_, body, _ := get(path)
		total += len(body)
	}
	src := regexp.MustCompile(`<img src="([^"]+)"`)
	for _, path := range []string{"/", "/yards/heron-point/hives/h01", "/findings", "/journal"} {
		_, body, _ := get(path)
		size := total + len(body)
		for _, m := range src.FindAllStringSubmatch(body, -1) {
			_, svg, header := get(html.UnescapeString(m[1]))
			require.Equal(t, "image/svg+xml", header.Get("Content-Type"))
			size += len(svg)
		}
		require.Less(t, size, 150<<10, "%s with all it loads, before compression", path)
	}
}

func TestHostileNamesAndAddresses(t *testing.T) {
	const evil = `"><script>alert(1)</script>`
	db := seed(t)
	fs := testFindings()
	fs[0].Summary, fs[0].Advice, fs[0].Facts = evil, []string{evil}, map[string]any{evil: evil}
	require.NoError(t, db.Tell(t.Context(), store.News{Findings: fs}))
	_, err := db.AddEntry(t.Context(), outyard.Entry{Time: local(13, 9, 0), Yard: "heron-point", Hive: "h03", Kind: outyard.Visit, Kg: outyard.Unknown, Note: evil})
	require.NoError(t, err)
	o := testOptions()
	o.Yards = func() []outyard.Yard {
		ys := testYards()
		ys[1].Name, ys[1].Hives[2].Name = evil, evil
		return ys
	}
	_, get := visit(t, db, o)
	e := url.QueryEscape(evil)
	for _, path := range []string{
		"/", "/yards", "/yards/heron-point", "/yards/heron-point/hives/h03", "/findings", "/journal",
		"/yards/" + url.PathEscape(evil), "/yards/heron-point/hives/" + url.PathEscape(evil), "/yards/heron-point/hives/h99", "/yards/..%2f..%2fetc/hives/x",
		"/yards/heron-point/hives/h03?from=" + e + "&to=" + e, "/yards/heron-point/hives/h03?from=9999-12-31&to=9999-12-31",
		"/yards/heron-point/hives/h03?from=2027-05-10&to=2027-05-01", "/yards/heron-point/hives/h03?from=0000-01-01&to=0001-01-01",
		"/yards/heron-point/hives/h03?from=-1&to=1e99&work=" + e, "/yards/heron-point/hives/h03?from=%ff%fe&to=%00",
		"/yards/heron-point/hives/h03/chart/weight.svg?from=9999-12-31&to=0001-01-01&w=-7", "/yards/heron-point/hives/h03/chart/weight.svg?w=99999999999&look=" + e,
		"/yards/heron-point/hives/h03/chart/..%2fweight.svg", "/yards/heron-point/hives/h03/chart/none.svg", "/yards/heron-point/hives/h03/daily.csv?from=9999-12-31",
		"/yards/heron-point/chart/gain.svg?from=" + e, "/findings?cursor=" + e, "/findings?kind=" + e + "&yard=" + e + "&hive=" + e + "&state=" + e,
		"/findings/" + url.PathEscape(evil), "/journal?yard=" + e + "&hive=" + e, "/static/..%2f..%2fgo.mod", "/static/", "/api/v1/findings?yard=" + e,
		"/findings/" + url.PathEscape(evil) + "/answer", "/findings/" + swarmID + "/answer?said=" + e, "/nodes?after=" + e, "/refused?tried=" + e,
	} {
		status, body, _ := get(path)
		require.Less(t, status, 500, "%s: %s", path, body)
		require.NotContains(t, body, "<script>alert", path)
		if status >= 400 {
			require.NotEmpty(t, body, "%s says why", path)
		}
	}
}

func TestHiveThatIsNotInTheConfig(t *testing.T) {
	db := seed(t)
	r := outyard.NewReading("old-orchard", "h07", local(2, 9, 0))
	r.Values[outyard.Weight] = 30
	_, err := db.Keep(t.Context(), []outyard.Reading{r})
	require.NoError(t, err)
	_, get := visit(t, db, testOptions())
	status, body, _ := get("/yards/old-orchard/hives/h07")
	require.Equal(t, http.StatusOK, status)
	contains(t, textOfPage(body), "h07", "30.0 kg")
	_, body, _ = get("/yards/old-orchard")
	contains(t, textOfPage(body), "This yard is not in the config")
}

func TestAQuietHiveIsShownWhereItFellSilent(t *testing.T) {
	db := seed(t)
	o := testOptions()
	o.Now = func() time.Time { return testNow.AddDate(0, 3, 0) }
	_, get := visit(t, db, o)
	_, body, _ := get("/yards/heron-point/hives/h01")
	contains(t, textOfPage(body), "1 May to 14 May 2027", "Last heard 3 months ago")
}

func TestDailyTableAsFile(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	status, body, header := get("/yards/fern-hollow/hives/h01/daily.csv?from=2027-05-05&to=2027-05-06")
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, "text/csv; charset=utf-8", header.Get("Content-Type"))
	lines := strings.Split(strings.TrimSpace(body), "\n")
	require.Len(t, lines, 3)
	require.Equal(t, "date,yard,hive,gain_kg,handled_kg,night_loss_kg,stores_kg,mould_index,wall_rh_pct,brood_temp_c,coverage", lines[0])
	require.True(t, strings.HasPrefix(lines[2], "2027-05-06,fern-hollow,h01,,"), "an unknown gain is empty, not zero: %s", lines[2])
}

func TestReadingsAsFile(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	status, body, header := get("/yards/heron-point/hives/h02/readings.csv?from=2027-05-05&to=2027-05-05")
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, header.Get("Content-Disposition"), `filename="readings-heron-point-h02-2027-05-05-2027-05-05.csv"`)
	lines := strings.Split(strings.TrimSpace(body), "\n")
	require.Equal(t, "time,yard,hive,weight_kg,inside_temp_c,inside_rh_pct,battery_v,signal_dbm,outside_temp_c,outside_rh_pct,rain_mm,wind_ms", lines[0], "the readings file")
	require.Len(t, lines, 1+24*6)
	require.True(t, strings.HasPrefix(lines[1], "2027-05-05T07:00:00Z,heron-point,h02,"), lines[1])
	require.True(t, strings.HasSuffix(lines[1], ",,,,,"), "what was not sent is empty: %s", lines[1])

	_, body, _ = get("/yards/heron-point/daily.csv?from=2027-05-05&to=2027-05-06")
	require.Len(t, strings.Split(strings.TrimSpace(body), "\n"), 1+2*4, "two days of four hives")
	for _, path := range []string{"/yards/none/daily.csv", "/yards/heron-point/hives/none/readings.csv"} {
		status, _, _ := get(path)
		require.Equal(t, http.StatusNotFound, status, path)
	}
}

func TestAFindingsAddressLeadsToItsHive(t *testing.T) {
	srv, get := visit(t, seed(t), testOptions())
	srv.Client().CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	status, _, header := get("/findings/swarm-heron-point-h03-20270514T1940Z")
	require.Equal(t, http.StatusSeeOther, status)
	require.Equal(t, "/yards/heron-point/hives/h03?from=2027-05-07&to=2027-05-14#swarm-heron-point-h03-20270514T1940Z", header.Get("Location"))
	status, _, _ = get("/findings/none")
	require.Equal(t, http.StatusNotFound, status)
}

func TestJournalForm(t *testing.T) {
	db := seed(t)
	srv, get := visit(t, db, testOptions())
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	srv.Client().Jar = jar
	_, page, _ := get("/journal?yard=heron-point&hive=h02")
	require.Contains(t, page, `<option value="heron-point/h02" selected>Blue lid</option>`)
	token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(page)[1]
	post := func(change url.Values, origin string) (int, string) {
		form := url.Values{"token": {token}, "place": {"heron-point/h02"}, "kind": {"honey-taken"}, "time": {"2027-05-14T15:30"}, "kg": {"11,5"}, "part": {"medium-10"}, "note": {"  Light & clear. "}}
		for k, v := range change {
			form[k] = v
		}
		req, err := http.NewRequest(http.MethodPost, srv.URL+"/journal", strings.NewReader(form.Encode()))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if origin != "" {
			req.Header.Set("Origin", origin)
		}
		resp, err := srv.Client().Do(req)
		require.NoError(t, err)
		defer resp.Body.Close()
		var b strings.Builder
		_, err = copyTo(&b, resp)
		require.NoError(t, err)
		return resp.StatusCode, b.String()
	}
	tests := []struct {
		name   string
		change url.Values
		origin string
		status int
		says   string
	}{
		{"without the token it is shown again, filled in", url.Values{"token": {"x"}}, "", 403, "Everything you typed is still here"},
		{"from another site it is refused", nil, "https://elsewhere.example", 403, "another site"},
		{"a place is needed", url.Values{"place": {""}}, "", 422, "Choose the yard or the hive."},
		{"a weight is a number", url.Values{"kg": {"a lot"}}, "", 422, "Write the weight in kilograms"},
		{"not a number is none", url.Values{"kg": {"NaN"}}, "", 422, "Write the weight in kilograms"},
		{"a time is a time", url.Values{"time": {"9999-99-99"}}, "", 422, "Write the time as"},
		{"the year 9999 has not come", url.Values{"time": {"9999-12-31T00:00"}}, "", 422, "has not come yet"},
		{"a part is a part", url.Values{"part": {"sofa"}}, "", 422, "is not known"},
		{"a note has an end", url.Values{"note": {strings.Repeat("x", 2001)}}, "", 422, "shorten it"},
		{"a good entry is kept and shown", nil, "", 200, "Written down."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, body := post(tt.change, tt.origin)
			require.Equal(t, tt.status, status)
			require.Contains(t, html.UnescapeString(body), tt.says)
			if tt.status == 403 && tt.origin == "" || tt.status == 422 {
				require.True(t, strings.Contains(body, `value="honey-taken" checked`), "what was chosen is kept")
			}
		})
		if t.Failed() {
			return
		}
	}
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point", Hive: "h02"})
	require.NoError(t, err)
	require.Len(t, es, 1)
	require.Equal(t, outyard.Entry{ID: es[0].ID, Time: local(14, 15, 30), Yard: "heron-point", Hive: "h02", Kind: outyard.HoneyTaken, Kg: 11.5, Part: "medium-10", Note: "Light & clear."}, es[0])
}

func TestOnlyThisMachinesNamesOnLoopback(t *testing.T) {
	o := testOptions()
	o.Loopback = true
	srv, _ := visit(t, seed(t), o)
	for host, want := range map[string]int{
		"localhost:8377": 200, "LOCALHOST": 200, "127.0.0.1:8377": 200, "127.0.0.53": 200, "[::1]:8377": 200, "[::1]": 200,
		"rebind.example": 421, "rebind.example:8377": 421, "192.0.2.1:8377": 421, "localhost.evil.example": 421, "127.0.0.1.evil.example:80": 421, "": 421,
	} {
		r, err := http.NewRequest(http.MethodGet, srv.URL+"/", nil)
		require.NoError(t, err)
		r.Host = host
		w := &recorder{header: http.Header{}}
		srv.Config.Handler.ServeHTTP(w, r)
		require.Equal(t, want, w.status, "host %q", host)
	}
}

type recorder struct {
	header http.Header
	status int
}

func (r *recorder) Header() http.Header         { return r.header }
func (r *recorder) WriteHeader(status int)      { r.status = status }
func (r *recorder) Write(b []byte) (int, error) { return len(b), nil }

func TestHealthAndMetrics(t *testing.T) {
	reg := prometheus.NewRegistry()
	o := testOptions()
	o.Gatherer, o.Registerer = reg, reg
	var notReady error
	o.Ready = func(context.Context) error { return notReady }
	srv, get := visit(t, seed(t), o)
	status, body, _ := get("/healthz")
	require.Equal(t, http.StatusOK, status, body)
	status, _, _ = get("/readyz")
	require.Equal(t, http.StatusOK, status)
	notReady = errors.New("broker: connection refused")
	status, body, _ = get("/readyz")
	require.Equal(t, http.StatusServiceUnavailable, status)
	require.Contains(t, body, "broker: connection refused")
	_, body, _ = get("/")
	contains(t, body, "Not working now", "broker: connection refused")
	notReady = nil
	_, body, _ = get("/")
	require.NotContains(t, body, "Not working now")
	for _, path := range []string{"/", "/yards/heron-point", "/yards/none", "/made/up/" + strings.Repeat("x", 20)} {
		get(path)
	}
	_, body, _ = get("/metrics")
	contains(t, body, `outyard_web_request_seconds_count{route="GET /yards/{yard}",status="2xx"} 1`, `route="GET /yards/{yard}",status="4xx"} 1`)
	require.NotContains(t, body, "made/up", "nothing a stranger invents becomes a label")
	families, err := reg.Gather()
	require.NoError(t, err)
	problems, err := promlint.NewWithMetricFamilies(families).Lint()
	require.NoError(t, err)
	require.Empty(t, problems)
	resp, err := srv.Client().Post(srv.URL+"/yards", "text/plain", nil)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, http.StatusMethodNotAllowed, resp.StatusCode)
	status, _, _ = get("/yards/none")
	require.Equal(t, http.StatusNotFound, status, "a yard that is not there may be asked for, and is not found")
	require.Equal(t, "GET, HEAD", resp.Header.Get("Allow"))
}

func TestServeStopsWhenAsked(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.True(t, IsLoopback(l.Addr()))
	ctx, stop := context.WithCancel(t.Context())
	began, finish := make(chan struct{}), make(chan struct{})
	ended := make(chan error, 1)
	go func() {
		ended <- Serve(ctx, l, http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			close(began)
			<-finish
			plain(w, http.StatusOK, "done")
		}), nil)
	}()
	answer := make(chan int, 1)
	go func() {
		resp, err := http.Get("http://" + l.Addr().String())
		if err != nil {
			answer <- 0
			return
		}
		resp.Body.Close()
		answer <- resp.StatusCode
	}()
	<-began
	stop()
	close(finish)
	require.Equal(t, http.StatusOK, <-answer, "what is under way is finished")
	require.NoError(t, <-ended)
}

func TestServeTellsWhenItCannot(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	require.ErrorContains(t, Serve(t.Context(), l, http.NotFoundHandler(), nil), "serve pages on 127.0.0.1")
}
