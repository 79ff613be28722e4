package web

import (
	"bytes"
	"compress/gzip"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
)

// policy lets a page load only what we serve: no script or style inside the
// page, no frames around it, nothing from elsewhere.
const policy = "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// maxBody is the largest form or JSON that is read: a journal entry is small.
const maxBody = 64 << 10

// door is what every request passes: the headers that fence a page in, and
// the refusal of what another site has a browser send.
func (s *site) door(next http.Handler) http.Handler {
	crossOrigin := http.NewCrossOriginProtection()
	if s.PagesAt != "" {
		if err := crossOrigin.AddTrustedOrigin(s.PagesAt); err != nil {
			s.Log.Error("forms sent by way of the proxy will be refused", "pages_at", s.PagesAt, "err", err)
		}
	}
	crossOrigin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.refuse(w, r, http.StatusForbidden, "This came from a page of another site, so nothing was changed. Open the page here and try again.")
	}))
	guarded := crossOrigin.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		if s.Loopback && !loopbackHost(r.Host) && (s.PagesAt == "" || !strings.EqualFold(r.Host, hostOf(s.PagesAt))) {
			plain(w, http.StatusMisdirectedRequest, "these pages are served on this machine alone: open them as localhost or 127.0.0.1")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		guarded.ServeHTTP(w, r)
	})
}

// refuse answers in the form that the asker understands.
func (s *site) refuse(w http.ResponseWriter, r *http.Request, status int, detail string) {
	if strings.HasPrefix(r.URL.Path, "/api/") {
		writeProblem(w, &problemError{Status: status, Detail: detail})
		return
	}
	s.errorPage(w, r, status, detail)
}

func loopbackHost(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = strings.Trim(host, "[]")
	}
	if strings.EqualFold(name, "localhost") {
		return true
	}
	ip := net.ParseIP(name)
	return ip != nil && ip.IsLoopback()
}

// IsLoopback says whether a listener's address is reached from this machine
// alone.
func IsLoopback(addr net.Addr) bool {
	host, _, err := net.SplitHostPort(addr.String())
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

const tokenCookie = "outyard_form"

// token gives a form its proof that this site wrote it: a cookie that other
// sites cannot read, and its keyed hash in the form.
func (s *site) token(w http.ResponseWriter, r *http.Request) string {
	id := ""
	if c, err := r.Cookie(tokenCookie); err == nil && len(c.Value) == 32 {
		id = c.Value
	} else {
		b := make([]byte, 16)
		_, _ = rand.Read(b) // it never fails: crypto/rand ends the program first
		id = hex.EncodeToString(b)
		http.SetCookie(w, &http.Cookie{Name: tokenCookie, Value: id, Path: "/", HttpOnly: true, Secure: s.secure(r), SameSite: http.SameSiteStrictMode})
	}
	return s.tokenFor(id, sessionOf(r))
}

// tokenFor belongs to one browser and one session: a cookie that somebody
// managed to plant there proves nothing for whoever signs in.
func (s *site) tokenFor(id string, session []byte) string {
	m := hmac.New(sha256.New, s.secret)
	m.Write([]byte(id + "/"))
	m.Write(session)
	return base64.RawURLEncoding.EncodeToString(m.Sum(nil))
}

// ours says whether a form carries the token that it was given.
func (s *site) ours(r *http.Request) bool {
	c, err := r.Cookie(tokenCookie)
	return err == nil && hmac.Equal([]byte(r.PostFormValue("token")), []byte(s.tokenFor(c.Value, sessionOf(r))))
}

// timed measures how long each route takes. The route is the pattern, never
// the address: a stranger must not be able to make labels.
func (s *site) timed(next http.Handler) http.Handler {
	if s.Registerer == nil {
		return next
	}
	seconds := prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name:    "outyard_web_request_seconds",
		Help:    "How long a page, chart or API answer took, by route and class of status.",
		Buckets: []float64{0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 1, 5},
	}, []string{"route", "status"})
	s.Registerer.MustRegister(seconds)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start := s.Now()
		st := &statusWriter{ResponseWriter: w, status: http.StatusOK}
		next.ServeHTTP(st, r)
		seconds.WithLabelValues(r.Pattern, strconv.Itoa(st.status/100)+"xx").Observe(s.Now().Sub(start).Seconds())
	})
}

type statusWriter struct {
	http.ResponseWriter
	status int
}

func (w *statusWriter) WriteHeader(status int) {
	w.status = status
	w.ResponseWriter.WriteHeader(status)
}

func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// packed gives what is read an ETag, answers "not modified" to who has it, and
// compresses it: yards lie at the end of thin lines. Everything that we serve
// fits in memory; long exports have a limit of items.
func packed(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead || r.URL.Path == "/metrics" || r.URL.Path == "/events" {
			next.ServeHTTP(w, r)
			return
		}
		held := &heldWriter{ResponseWriter: w, status: http.StatusOK}
		next.ServeHTTP(held, r)
		h, body := w.Header(), held.body.Bytes()
		h.Add("Vary", "Accept-Encoding")
		if held.status == http.StatusOK && h.Get("Cache-Control") != "no-store" {
			sum := sha256.Sum256(body)
			// Weak: the same content, compressed or not.
			tag := `W/"` + hex.EncodeToString(sum[:12]) + `"`
			h.Set("ETag", tag)
			if h.Get("Cache-Control") == "" {
				h.Set("Cache-Control", "private, no-cache")
			}
			if matches(r.Header.Get("If-None-Match"), tag) {
				h.Del("Content-Type")
				w.WriteHeader(http.StatusNotModified)
				return
			}
		}
		if len(body) > 1024 && takesGzip(r.Header.Get("Accept-Encoding")) {
			var small bytes.Buffer
			z := packers.Get().(*gzip.Writer)
			z.Reset(&small)
			_, _ = z.Write(body) // a buffer takes all
			_ = z.Close()
			packers.Put(z)
			body = small.Bytes()
			h.Set("Content-Encoding", "gzip")
		}
		h.Set("Content-Length", strconv.Itoa(len(body)))
		w.WriteHeader(held.status)
		_, _ = w.Write(body) // who has left cannot be told
	})
}

// takesGzip says whether a client takes gzip: a weight of 0 says that it does
// not (RFC 9110 §12.5.3).
func takesGzip(acceptEncoding string) bool {
	takes := false
	for each := range strings.SplitSeq(strings.ToLower(acceptEncoding), ",") {
		coding, weight, _ := strings.Cut(each, ";")
		q, err := strconv.ParseFloat(strings.TrimPrefix(strings.TrimSpace(weight), "q="), 64)
		switch wanted := err != nil || q > 0; strings.TrimSpace(coding) {
		case "gzip":
			return wanted
		case "*":
			takes = wanted
		}
	}
	return takes
}

// packers are kept: each has tables of half a megabyte.
var packers = sync.Pool{New: func() any {
	z, _ := gzip.NewWriterLevel(nil, gzip.BestSpeed) // the level is valid
	return z
}}

type heldWriter struct {
	http.ResponseWriter
	status int
	body   bytes.Buffer
}

func (w *heldWriter) WriteHeader(status int)      { w.status = status }
func (w *heldWriter) Write(b []byte) (int, error) { return w.body.Write(b) }

// matches compares weakly, as If-None-Match asks (RFC 9110 §13.1.2).
func matches(ifNoneMatch, tag string) bool {
	for have := range strings.SplitSeq(ifNoneMatch, ",") {
		have = strings.TrimSpace(have)
		if have == "*" || strings.TrimPrefix(have, "W/") == strings.TrimPrefix(tag, "W/") {
			return true
		}
	}
	return false
}
