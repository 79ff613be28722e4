package web

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"outyard"
)

// document is the part of OpenAPI 3.1 that the test reads.
type document struct {
	OpenAPI string `json:"openapi"`
	Paths   map[string]map[string]struct {
		OperationID string     `json:"operationId"`
		Parameters  []docParam `json:"parameters"`
	} `json:"paths"`
	Components struct {
		Parameters map[string]docParam `json:"parameters"`
		Schemas    map[string]struct {
			Required   []string       `json:"required"`
			Properties map[string]any `json:"properties"`
		} `json:"schemas"`
	} `json:"components"`
}

type docParam struct {
	Ref  string `json:"$ref"`
	Name string `json:"name"`
	In   string `json:"in"`
}

func readDocument(t *testing.T) document {
	t.Helper()
	var d document
	require.NoError(t, json.Unmarshal(openapi, &d))
	return d
}

func TestDocumentDescribesEveryRoute(t *testing.T) {
	d := readDocument(t)
	require.Equal(t, "3.1.0", d.OpenAPI)
	written, registered := map[string][]string{}, map[string][]string{}
	ids := map[string]bool{}
	for path, ops := range d.Paths {
		for method, op := range ops {
			require.False(t, ids[op.OperationID], "operationId %s is used twice", op.OperationID)
			ids[op.OperationID] = true
			names := []string{}
			for _, p := range op.Parameters {
				if p.Ref != "" {
					found, ok := d.Components.Parameters[strings.TrimPrefix(p.Ref, "#/components/parameters/")]
					require.True(t, ok, "%s is not defined", p.Ref)
					p = found
				}
				if p.In == "query" {
					names = append(names, p.Name)
				}
			}
			sort.Strings(names)
			written[strings.ToUpper(method)+" "+path] = names
		}
	}
	for _, r := range (&site{}).apiRoutes() {
		names := append([]string{}, r.Params...)
		sort.Strings(names)
		registered[r.Method+" "+r.Path] = names
	}
	require.Empty(t, cmp.Diff(registered, written), "what is registered (-) and what is written (+)")
}

func TestAnswersKeepToTheDocument(t *testing.T) {
	d := readDocument(t)
	db, o := seedTold(t), testOptions()
	require.NoError(t, db.Refuse(t.Context(), []outyard.Refused{{Topic: "yards/x", Arrived: testNow, Reason: "empty"}}))
	o.Settings = func() []Setting { return []Setting{{Key: "listen", Value: "127.0.0.1:8377", From: "default"}} }
	_, get := visit(t, db, o)
	tests := []struct{ path, schema string }{
		{"/api/v1/yards", "yard"},
		{"/api/v1/hives?yard=heron-point", "hive"},
		{"/api/v1/findings", "finding"},
		{"/api/v1/readings?yard=heron-point&limit=7", "reading"},
		{"/api/v1/series?yard=heron-point&hive=h01&quantity=weight&from=2027-05-01&to=2027-05-14&work=out", "bucket"},
		{"/api/v1/daily?yard=heron-point&hive=h01", "day"},
		{"/api/v1/journal", "entry"},
		{"/api/v1/round", "stop"},
		{"/api/v1/alerts", "alert"},
		{"/api/v1/alerts/history", "step"},
		{"/api/v1/alerts/" + dampID + "/history", "step"},
		{"/api/v1/nodes", "node"},
		{"/api/v1/settings", "setting"},
		{"/api/v1/refused", "refusedMessage"},
	}
	for _, tt := range tests {
		t.Run(tt.path, func(t *testing.T) {
			status, body, header := get(tt.path)
			require.Equal(t, http.StatusOK, status, body)
			require.Equal(t, "application/json", header.Get("Content-Type"))
			var list items[map[string]any]
			require.NoError(t, json.Unmarshal([]byte(body), &list))
			require.NotEmpty(t, list.Items)
			schema := d.Components.Schemas[tt.schema]
			for _, item := range list.Items {
				for name := range item {
					require.Contains(t, schema.Properties, name)
				}
				for _, name := range schema.Required {
					require.Contains(t, item, name)
				}
			}
		})
	}
}

func TestListsCanBeFollowedToTheEnd(t *testing.T) {
	_, get := visit(t, seedTold(t), testOptions())
	for path, want := range map[string]int{
		"/api/v1/findings?limit=2":                                       len(testFindings()),
		"/api/v1/hives?limit=4":                                          9,
		"/api/v1/yards?limit=1":                                          3,
		"/api/v1/daily?yard=heron-point&limit=10":                        4 * 13,
		"/api/v1/readings?from=2027-05-07&to=2027-05-07&limit=37":        dayOfReadings(t, get),
		"/api/v1/journal?limit=1":                                        2,
		"/api/v1/readings?yard=heron-point&hive=h99&limit=1":             0,
		"/api/v1/readings?from=1900-01-01&to=1900-02-01&yard=alder-bank": 0,
		"/api/v1/alerts?limit=1":                                         3,
		"/api/v1/alerts?limit=1&yard=heron-point":                        2,
		"/api/v1/alerts/history?limit=3":                                 len(testSteps()),
		"/api/v1/alerts/history?limit=3&kind=damp&to=2027-05-09":         2,
	} {
		t.Run(path, func(t *testing.T) {
			seen := map[string]bool{}
			cursor := ""
			for range 1000 {
				status, body, _ := get(path + "&cursor=" + url.QueryEscape(cursor))
				require.Equal(t, http.StatusOK, status, body)
				var list items[json.RawMessage]
				require.NoError(t, json.Unmarshal([]byte(body), &list))
				for _, item := range list.Items {
					require.False(t, seen[string(item)], "given twice: %s", item)
					seen[string(item)] = true
				}
				if cursor = list.Next; cursor == "" {
					require.Len(t, seen, want)
					return
				}
			}
			t.Fatal("the list does not end")
		})
	}
}

// dayOfReadings counts a day's readings in one answer.
func dayOfReadings(t *testing.T, get func(string) (int, string, http.Header)) int {
	_, body, _ := get("/api/v1/readings?from=2027-05-07&to=2027-05-07&limit=10000")
	var list items[json.RawMessage]
	require.NoError(t, json.Unmarshal([]byte(body), &list))
	require.Empty(t, list.Next)
	require.Greater(t, len(list.Items), 1000)
	return len(list.Items)
}

func TestWorkLeftOutOfASeries(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	last := func(work string) float64 {
		_, body, _ := get("/api/v1/series?yard=heron-point&hive=h01&quantity=weight&from=2027-05-01T07:00:00Z&to=2027-05-14&work=" + work)
		var list items[bucketJSON]
		require.NoError(t, json.Unmarshal([]byte(body), &list))
		for _, b := range list.Items {
			if work == "out" {
				require.Greater(t, b.Min, 30.0, "what was read with the boxes on the grass is dropped")
			}
		}
		return list.Items[len(list.Items)-1].Last
	}
	require.InDelta(t, 8.1, last("in")-last("out"), 0.001, "the super of 10 May")
}

func TestMistakesAreProblems(t *testing.T) {
	srv, get := visit(t, seed(t), testOptions())
	tests := []struct {
		path   string
		status int
		detail string
	}{
		{"/api/v1/findings?kind=bees", 400, `kind "bees": want one of swarm`},
		{"/api/v1/findings?state=no", 400, `want one of open, over, withdrawn`},
		{"/api/v1/findings?from=yesterday", 400, "RFC 3339"},
		{"/api/v1/findings?from=2027-05-14&to=2027-05-01", 400, "is not before"},
		{"/api/v1/findings?limit=0", 400, "want 1 to 1000"},
		{"/api/v1/findings?limit=1e9", 400, "want 1 to 1000"},
		{"/api/v1/findings?cursor=" + strings.Repeat("x", 50), 400, "cursor is not one"},
		{"/api/v1/readings?cursor=!", 400, "cursor is not one"},
		{"/api/v1/readings?cursor=OTk5OTk5OTk5OTk5OTk5OTk5OTkvYS9i", 400, "cursor is not one"},
		{"/api/v1/yards?cursor=-3", 400, "cursor is not one"},
		{"/api/v1/findings?yard=..%2F..", 400, "ids are"},
		{"/api/v1/findings?yard=a&yard=b", 400, "yard is given 2 times"},
		{"/api/v1/findings?colour=red", 400, `"colour" is not known`},
		{"/api/v1/openapi.json?x=1", 400, "takes nothing"},
		{"/api/v1/findings?yard=nope", 404, `there is no yard "nope": /api/v1/yards lists those there are`},
		{"/api/v1/readings?yard=nope", 404, `there is no yard "nope"`},
		{"/api/v1/daily?yard=nope&hive=h01", 404, `there is no yard "nope"`},
		{"/api/v1/hives?yard=nope", 404, `there is no yard "nope"`},
		{"/api/v1/journal?yard=nope", 404, `there is no yard "nope"`},
		{"/api/v1/series?yard=nope&quantity=weight&from=2027-05-01&to=2027-05-02", 404, `there is no yard "nope"`},
		{"/api/v1/alerts?yard=nope", 404, `there is no yard "nope"`},
		{"/api/v1/alerts?state=lost", 400, "want one of open, told, acknowledged, snoozed, over"},
		{"/api/v1/alerts?cursor=x", 400, "cursor is not one"},
		{"/api/v1/alerts/history?kind=bees", 400, "want one of swarm"},
		{"/api/v1/alerts/history?limit=1001", 400, "want 1 to 1000"},
		{"/api/v1/alerts/history?cursor=WzFd0", 400, "cursor is not one"},
		{"/api/v1/alerts/none/history", 404, `no finding "none"`},
		{"/api/v1/alerts/none/history?limit=1", 400, "takes nothing"},
		{"/api/v1/findings/none", 404, `no finding "none"`},
		{"/api/v1/nothing", 404, "openapi.json lists them"},
		{"/api/v1/series?yard=heron-point&quantity=weight", 400, "from and to are both needed"},
		{"/api/v1/series?yard=heron-point&quantity=joy&from=2027-05-01&to=2027-05-02", 400, `quantity "joy"`},
		{"/api/v1/series?quantity=weight&from=2027-05-01&to=2027-05-02", 400, "yard is missing"},
		{"/api/v1/series?yard=heron-point&quantity=weight&from=2027-05-01&to=2027-05-02&pixels=5000", 400, "want 1 to 4000"},
		{"/api/v1/series?yard=heron-point&quantity=weight&from=2027-05-01&to=2027-05-02&work=maybe", 400, "want in or out"},
		{"/api/v1/journal?kind=swarm", 400, "want one of visit"},
	}
	for _, tt := range tests {
		t.Run(tt.path, func(t *testing.T) {
			status, body, header := get(tt.path)
			require.Equal(t, tt.status, status, body)
			require.Equal(t, "application/problem+json", header.Get("Content-Type"))
			var p struct {
				Title, Detail string
				Status        int
			}
			require.NoError(t, json.Unmarshal([]byte(body), &p))
			require.Equal(t, tt.status, p.Status)
			require.Contains(t, p.Detail, tt.detail)
		})
	}
	resp, err := srv.Client().Post(srv.URL+"/api/v1/findings", "application/json", strings.NewReader("{}"))
	require.NoError(t, err)
	defer resp.Body.Close()
	require.Equal(t, http.StatusMethodNotAllowed, resp.StatusCode)
	require.Equal(t, "GET, HEAD", resp.Header.Get("Allow"))
	require.Equal(t, "application/problem+json", resp.Header.Get("Content-Type"))
}

func TestWhatTheFarFutureAsks(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	for _, path := range []string{
		"/api/v1/readings?from=9999-12-31&limit=1", "/api/v1/daily?from=0001-01-01&to=9999-12-31", "/api/v1/findings?to=0001-01-01",
		"/api/v1/series?yard=heron-point&hive=h01&quantity=weight&from=0001-01-01&to=9999-12-31",
	} {
		status, body, _ := get(path)
		if status != http.StatusOK && status != http.StatusBadRequest {
			t.Errorf("%s answers %d: %s", path, status, body)
		}
	}
}

func TestUnchangedIsNotSentAgain(t *testing.T) {
	srv, get := visit(t, seed(t), testOptions())
	for _, path := range []string{"/api/v1/findings", "/yards/heron-point/hives/h01/chart/weight.svg", "/static/style.css"} {
		_, _, header := get(path)
		tag := header.Get("ETag")
		require.NotEmpty(t, tag, path)
		req, err := http.NewRequest(http.MethodGet, srv.URL+path, nil)
		require.NoError(t, err)
		req.Header.Set("If-None-Match", `"other", `+tag)
		resp, err := srv.Client().Do(req)
		require.NoError(t, err)
		b, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.Equal(t, http.StatusNotModified, resp.StatusCode, path)
		require.Empty(t, b)
	}
}

func TestWritingAnEntryAsAProgram(t *testing.T) {
	db := seed(t)
	o := testOptions()
	var changed []outyard.YardID
	o.JournalChanged = func(y outyard.YardID) { changed = append(changed, y) }
	srv, _ := visit(t, db, o)
	post := func(contentType, origin, body string) (int, string) {
		req, err := http.NewRequest(http.MethodPost, srv.URL+"/api/v1/journal", strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Content-Type", contentType)
		if origin != "" {
			req.Header.Set("Origin", origin)
			req.Header.Set("Sec-Fetch-Site", "cross-site")
		}
		resp, err := srv.Client().Do(req)
		require.NoError(t, err)
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		return resp.StatusCode, string(b)
	}
	good := `{"time":"2027-05-14T20:00:00Z","yard":"heron-point","hive":"h02","kind":"fed","kg":2,"note":"syrup"}`
	tests := []struct {
		name, contentType, origin, body string
		status                          int
		says                            string
	}{
		{"what another site sends is refused", "application/json", "https://elsewhere.example", good, 403, "another site"},
		{"a plain form is refused", "application/x-www-form-urlencoded", "", good, 415, "application/json"},
		{"broken JSON is told", "application/json", "", `{"time":`, 400, "entry:"},
		{"an unknown kind is told", "application/json", "", strings.Replace(good, "fed", "danced", 1), 422, "want one of visit"},
		{"an id of one's own is refused", "application/json", "", strings.Replace(good, `{`, `{"id":"mine",`, 1), 400, "given by the journal"},
		{"what is yet to come is refused", "application/json", "", strings.Replace(good, "2027-05-14", "2027-05-16", 1), 422, "not come yet"},
		{"no hive holds two tonnes", "application/json", "", strings.Replace(good, `"kg":2`, `"kg":2000`, 1), 422, "more than a hive can hold"},
		{"too much is cut off", "application/json", "", `{"note":"` + strings.Repeat("x", maxBody) + `"}`, 413, "bytes"},
		{"a good entry is kept", "application/json", "", good, 201, `"id":"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, body := post(tt.contentType, tt.origin, tt.body)
			require.Equal(t, tt.status, status, body)
			require.Contains(t, body, tt.says)
		})
	}
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point", Hive: "h02"})
	require.NoError(t, err)
	require.Len(t, es, 1, "only the good one")
	require.Equal(t, 2.0, es[0].Kg)
	require.Equal(t, []outyard.YardID{"heron-point"}, changed)
}

func TestReadingsAreInOrder(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	_, body, _ := get("/api/v1/readings?from=2027-05-13&to=2027-05-13&limit=200")
	var list items[struct{ Time, Yard, Hive string }]
	require.NoError(t, json.Unmarshal([]byte(body), &list))
	key := func(i int) string {
		return fmt.Sprint(list.Items[i].Time, " ", list.Items[i].Yard, " ", list.Items[i].Hive)
	}
	require.True(t, slices.IsSortedFunc(list.Items, func(a, b struct{ Time, Yard, Hive string }) int {
		return strings.Compare(a.Time+" "+a.Yard+" "+a.Hive, b.Time+" "+b.Yard+" "+b.Hive)
	}), "from %s to %s", key(0), key(len(list.Items)-1))
}
