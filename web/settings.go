package web

import (
	"cmp"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
)

// A Setting is one key of the config that is in force. Secrets are hidden
// before they come here.
type Setting struct {
	Key, Value string
	From       string // a file and line, a variable, a flag, or "default"
}

type settingsPage struct {
	Groups      []settingGroup
	None        bool
	First, Next string
}

type settingGroup struct {
	Title    string
	Settings []settingRow
}

type settingRow struct {
	Key, Value, From string
	For              string // what it is for
	Default          bool
}

// settingWords say what a key is for, in the words of the page.
var settingWords = map[string]string{
	"listen":                         "where the pages, the API and the metrics are served",
	"pages_at":                       "how the pages are reached from outside; links in messages begin with it",
	"data":                           "the folder in which everything is kept",
	"mqtt.embedded.listen":           "where our own broker takes readings",
	"mqtt.broker":                    "another broker that readings come from",
	"mqtt.topic_prefix":              "what stands before yards/… in every topic",
	"store.kind":                     "where readings are kept",
	"store.drop_readings_after_days": "how old a reading may become",
	"store.influx.url":               "the time-series server",
	"store.influx.token":             "what opens it",
	"yards":                          "whether whatever sends gets a place by itself",
}

// groupsOfSettings are the headings, by how a key begins; the last takes the
// rest.
var groupsOfSettings = []struct{ begins, title string }{
	{"yards", "Yards"}, {"tell", "Who is told what"}, {"mqtt", "How readings come in"}, {"mappings", "How readings come in"}, {"store", "Where they are kept"}, {"", "The daemon"},
}

// settingsPerPage keeps a config of thousands of yards within a page's weight.
const settingsPerPage = 200

// settings shows what is in force, and where each value was given.
func (s *site) settings(w http.ResponseWriter, r *http.Request) error {
	var all []Setting
	if s.Settings != nil {
		all = s.Settings()
	}
	start, end, first, next := pageOf(len(all), settingsPerPage, r.URL.Query(), "/settings")
	p := settingsPage{None: len(all) == 0, First: first, Next: next}
	at := map[string]int{}
	for _, set := range all[start:end] {
		title := ""
		for _, g := range groupsOfSettings {
			if title == "" && strings.HasPrefix(set.Key, g.begins) {
				title = g.title
			}
		}
		i, ok := at[title]
		if !ok {
			i = len(p.Groups)
			at[title] = i
			p.Groups = append(p.Groups, settingGroup{Title: title})
		}
		p.Groups[i].Settings = append(p.Groups[i].Settings, settingRow{Key: set.Key, Value: cmp.Or(set.Value, "not set"), From: fromText(set.From),
			For: settingWords[set.Key], Default: set.From == "default"})
	}
	return s.show(w, r, http.StatusOK, "settings", frame{Title: "Settings", Here: "settings", Page: p})
}

var fileAndLine = regexp.MustCompile(`^(.+):([0-9]+)$`)

// fromText says where a value was given.
func fromText(from string) string {
	switch {
	case from == "default":
		return "the default"
	case strings.HasPrefix(from, "--"):
		return "the command line, " + from
	case strings.HasPrefix(from, "OUTYARD_"):
		return "the environment, " + from
	}
	if m := fileAndLine.FindStringSubmatch(from); m != nil {
		return "line " + m[2] + " of " + m[1]
	}
	return from
}

// pageOf cuts a list that is whole in memory into pages: where this one begins
// and ends, and the addresses of the first and the next, empty where there is
// none. What stands in the address and is no place in the list is its
// beginning.
func pageOf(length, per int, q url.Values, path string) (start, end int, first, next string) {
	start, err := strconv.Atoi(cmp.Or(q.Get("after"), "0"))
	if err != nil || start < 0 || start >= length {
		start = 0
	}
	end = min(start+per, length)
	at := func(after int) string {
		to := url.Values{}
		for k, v := range q {
			to[k] = v
		}
		to.Del("after")
		if after > 0 {
			to.Set("after", strconv.Itoa(after))
		}
		if len(to) == 0 {
			return path
		}
		return path + "?" + to.Encode()
	}
	if start > 0 {
		first = at(0)
	}
	if end < length {
		next = at(end)
	}
	return start, end, first, next
}
