package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"slices"
	"strings"
	"time"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static/*
var staticFiles embed.FS

// templates holds each page together with the frame and the parts; a mistake
// in one of our own files is found by the first test that runs.
var templates = func() map[string]*template.Template {
	funcs := template.FuncMap{"static": staticURL, "number": number, "signed": signed, "sentence": sentence}
	frame := template.Must(template.New("frame.html").Funcs(funcs).ParseFS(templateFiles, "templates/frame.html", "templates/parts.html"))
	out := map[string]*template.Template{}
	for _, name := range []string{"today", "yards", "yard", "hive", "findings", "alerts", "journal", "answer", "link", "nodes", "refused", "season", "settings", "signin", "you", "error"} {
		out[name] = template.Must(template.Must(frame.Clone()).ParseFS(templateFiles, "templates/"+name+".html"))
	}
	return out
}()

// frame is what surrounds every page.
type frame struct {
	Title   string
	Here    string // which of the places of the menu this is
	Demo    bool
	Honey   bool // the page talks of honey, so the note about infants stands below it
	Now     string
	NowISO  string
	Version string
	Who     string // who is signed in
	Page    any
}

// show writes a page. It is made whole before a byte is sent, so that a
// mistake half way is an error page and not half a page.
func (s *site) show(w http.ResponseWriter, r *http.Request, status int, name string, f frame) error {
	now := s.Now()
	f.Demo, f.Version, f.Who, f.NowISO = s.Demo, s.Version, by(r), now.UTC().Format(time.RFC3339)
	if f.Now == "" {
		f.Now = now.In(s.homeZone()).Format("Monday 2 January 2006, 15:04")
	}
	var b bytes.Buffer
	if err := templates[name].Execute(&b, f); err != nil {
		return fmt.Errorf("page %s: %w", name, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // who has left cannot be told
	return nil
}

// A pageError is an error with words for the keeper and a status of its own.
type pageError struct {
	Status int
	Text   string
}

func (e *pageError) Error() string { return e.Text }

var errNoPage = &pageError{http.StatusNotFound, "There is nothing under this address. It may have been mistyped, or the yard or hive is no longer kept."}

// page turns what a handler returns into a page: the keeper's words for what
// the keeper can mend, a plain apology for the rest, whose cause goes to the
// log.
func (s *site) page(h func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		err := h(w, r)
		var known *pageError
		switch {
		case err == nil:
		case errors.As(err, &known):
			status := known.Status
			if known == errNoPage {
				// A route that took the method and knew no such yard is no page, too.
				if allow := s.allowed(r, "/"); allow != "" && !slices.Contains(strings.Split(allow, ", "), r.Method) {
					w.Header().Set("Allow", allow)
					s.errorPage(w, r, http.StatusMethodNotAllowed, "That cannot be done with this page.")
					return
				}
			}
			s.errorPage(w, r, status, known.Text)
		case errors.Is(err, context.Canceled):
			// Whoever asked has left.
		default:
			s.Log.Error("page not made", "path", r.URL.Path, "err", err)
			s.errorPage(w, r, http.StatusInternalServerError, "This page could not be made. The log of the daemon says why; the readings are safe.")
		}
	})
}

// allowed lists the methods that the address takes, if another than the asked
// one; catchAll is the pattern that answers when none does.
func (s *site) allowed(r *http.Request, catchAll string) string {
	var methods []string
	for _, m := range []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut} {
		ask := &http.Request{Method: m, URL: r.URL, Host: r.Host}
		if _, pattern := s.mux.Handler(ask); pattern != "" && pattern != catchAll && pattern != "/" {
			methods = append(methods, m)
		}
	}
	return strings.Join(methods, ", ")
}

func (s *site) errorPage(w http.ResponseWriter, r *http.Request, status int, text string) {
	title := map[int]string{
		http.StatusNotFound: "Nothing here", http.StatusForbidden: "Not allowed", http.StatusUnauthorized: "Sign in first", http.StatusBadRequest: "That did not work",
		http.StatusMethodNotAllowed: "Not that way", http.StatusGone: "No longer", http.StatusInternalServerError: "Something went wrong",
		http.StatusTooManyRequests: "Too often", http.StatusServiceUnavailable: "Not just now", http.StatusRequestEntityTooLarge: "Too much",
	}[status]
	if title == "" {
		title = http.StatusText(status)
	}
	w.Header().Set("Cache-Control", "no-store")
	if err := s.show(w, r, status, "error", frame{Title: title, Page: struct{ Title, Text string }{title, text}}); err != nil {
		s.Log.Error("error page not made", "path", r.URL.Path, "err", err)
		plain(w, http.StatusInternalServerError, text)
	}
}

// staticVersions are the names of the static files with a mark of their
// content: what changes is fetched anew, what does not never again.
var staticVersions = func() map[string]string {
	out := map[string]string{}
	names, err := fs.Glob(staticFiles, "static/*")
	if err != nil {
		panic(err) // the pattern is a constant
	}
	for _, name := range names {
		b, err := staticFiles.ReadFile(name)
		if err != nil {
			panic(err) // it is embedded
		}
		sum := sha256.Sum256(b)
		out[path.Base(name)] = hex.EncodeToString(sum[:6])
	}
	return out
}()

func staticURL(name string) string { return "/static/" + name + "?v=" + staticVersions[name] }

func serveStatic(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	b, err := staticFiles.ReadFile("static/" + name)
	if err != nil {
		plain(w, http.StatusNotFound, "there is no such file")
		return
	}
	w.Header().Set("Content-Type", mime.TypeByExtension(path.Ext(name)))
	if r.URL.Query().Get("v") == staticVersions[name] {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	_, _ = w.Write(b) // who has left cannot be told
}
