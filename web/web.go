// Package web is what a keeper and a keeper's programs see: pages drawn on the
// server, charts, a JSON API, metrics and health. It exists so that a finding
// becomes something to do: which yard, what for, what to carry, what to take
// care of. It asks the store and nothing else, works without a script, and
// loads nothing from outside.
package web

import (
	"context"
	"crypto/rand"
	"log/slog"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"outyard"
	"outyard/analysis/gain"
	"outyard/guessing"
)

// Options are the parts and values that the pages need besides the store.
type Options struct {
	// Yards are the yards of the config, as they are now.
	Yards func() []outyard.Yard
	Now   func() time.Time
	Log   *slog.Logger // nil: nowhere
	// Ready says what is not ready yet (the broker, the store); nil: always
	// ready.
	Ready func(context.Context) error
	// Gatherer answers /metrics; nil: there is no such page.
	Gatherer prometheus.Gatherer
	// Registerer takes the pages' own metrics; nil: they are not kept.
	Registerer prometheus.Registerer
	// Demo marks every page as showing invented data.
	Demo bool
	// MQTTAddr is where nodes send to, such as "127.0.0.1:1883", for the page
	// that says how to connect the first hive.
	MQTTAddr string
	MQTTDoor Door
	// TopicPrefix stands before "yards/…" in topics; usually empty.
	TopicPrefix string
	// Auto says that whatever sends gets a place, config or not.
	Auto bool
	// Loopback says that the pages are served on this machine alone: then a
	// request under any other name is refused, so that a page elsewhere
	// cannot reach them by pointing its own name here (DNS rebinding).
	Loopback bool
	// WithoutSignIn says that whoever reaches the pages may do everything as
	// long as nobody has an account, as on this machine alone: a proxy in front
	// signs people in.
	WithoutSignIn bool
	// JournalChanged is told of the yard whose journal has a new entry.
	JournalChanged func(outyard.YardID)
	// Acknowledge notes that somebody will see to a finding, Snooze that it
	// shall be told again at until; by names his account, and is empty where
	// that is not known. They answer [ErrNoAlert] where nobody is
	// told of it; nil: the pages do not offer it.
	Acknowledge func(ctx context.Context, finding, by string) error
	Snooze      func(ctx context.Context, finding string, until time.Time, by string) error
	// OpenLink says what a link out of a message does, and UseLink notes that
	// it was done. OpenLink answers [ErrLinkForged], [ErrLinkExpired] or
	// [ErrLinkUsed]; nil: there are no links.
	OpenLink func(ctx context.Context, token string) (Link, error)
	UseLink  func(ctx context.Context, token string) error
	// PagesAt is the address at which the pages are reached by way of a proxy,
	// such as https://bees.example; empty: by none.
	PagesAt string
	// Retry has refused messages with those ids, or all, read again. Those that
	// can be read now are kept, and no longer refused; the others stay as they
	// are, with their reason of today in still. Forget throws messages away. An
	// id that is not there is [ErrNotRefused], and nothing is done; nil: not
	// offered.
	Retry  func(ctx context.Context, ids []int64) (kept int, still []outyard.Refused, err error)
	Forget func(ctx context.Context, ids []int64) (int, error)
	// ClockOff says how far the clock of a place's node has been ahead of late,
	// below zero behind; 0 while it is not steadily off. nil: not known.
	ClockOff func(outyard.YardID, outyard.HiveID) time.Duration
	// PerDegree is what a degree of warmth adds to what a hive's scale shows, as
	// the analyses have learnt it, for a line on the hive's page; false where
	// nothing is known. nil: not known.
	PerDegree func(outyard.YardID, outyard.HiveID) (gain.PerDegree, bool)
	// ConfigWrong says what is wrong with the config that was read last, and is
	// therefore not in force; empty where it is. nil: it is not read again.
	ConfigWrong func() string
	// Feed lets the page that waits for the first reading show it as it comes,
	// and tells which series are still as they were; nil: by reloading, and
	// every series is read anew.
	Feed *Feed
	// Settings are what is in force of the config, without its secrets; nil:
	// there is none.
	Settings func() []Setting
	Version  string
	// Accounts say who may come in; nil: nobody, but where Everybody may do
	// everything. While there is none yet, everybody on this machine may.
	Accounts  Accounts
	Everybody bool
	// OwnToken is by what commands of the daemon's own user ask it, whatever
	// accounts there are; empty: they cannot.
	OwnToken string
}

// A Door is what whoever sends by MQTT needs to come in.
type Door struct {
	Host  string // a name that the certificate is for; empty: that of the address does
	Trust string // what mosquitto_pub takes to trust that certificate; empty: nothing is encrypted
	// Signer says that Trust names [SignerFile], since who signed the
	// certificate is not known here.
	Signer    bool
	Shows     bool // it shows a certificate of its own
	ShownName bool // which says the name of a node
	Named     bool // it gives the name and the secret of a node
	// Elsewhere says that it is another's broker: whom that lets in is not
	// known here.
	Elsewhere bool
	// WebSockets says that the address takes MQTT in web sockets, which not
	// every client speaks.
	WebSockets bool
	As         string // the user as whom a node is let in; empty: whoever reads the page
}

// SignerFile stands for the certificate of whoever signed another.
const SignerFile = "CA.pem"

// AnyName stands in a [Door]'s Host for the star of a certificate that is for
// any name of a domain.
const AnyName = "NAME"

// A site is the pages with what they need.
type site struct {
	Options
	store   Store
	memory  *memory
	flights flights
	mux     *http.ServeMux
	routes  []string // the patterns that mux takes
	secret  []byte   // for the tokens of forms; a new one each start

	triesFrom, triesFor *guessing.Allowance // of passwords: from an address, for an account
	hashing             chan struct{}       // holds one while a password is worked out
}

// New returns the handler of all pages, the API, metrics and health.
func New(store Store, o Options) http.Handler {
	s := newSite(store, o)
	return s.door(s.timed(packed(s.mux)))
}

// handle takes a route, behind the gate, and notes it: what holds for every page is tested for
// every route.
func (s *site) handle(pattern string, h http.Handler) {
	s.mux.Handle(pattern, s.gate(pattern, h))
	s.routes = append(s.routes, pattern)
}

// newSite knows every route.
func newSite(store Store, o Options) *site {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Ready == nil {
		o.Ready = func(context.Context) error { return nil }
	}
	if o.JournalChanged == nil {
		o.JournalChanged = func(outyard.YardID) {}
	}
	s := &site{Options: o, store: store, memory: newMemory(o.Feed), mux: http.NewServeMux(), secret: make([]byte, 32),
		triesFrom: guessing.NewAllowance(triesFrom, triesFromEvery, mostTriers), triesFor: guessing.NewAllowance(triesFor, triesForEvery, mostTriers), hashing: make(chan struct{}, 1)}
	_, _ = rand.Read(s.secret) // it never fails: crypto/rand ends the program first

	page := func(pattern string, h func(http.ResponseWriter, *http.Request) error) {
		s.handle(pattern, s.page(h))
	}
	page("GET /{$}", s.today)
	page("GET /yards", s.yards)
	page("GET /yards/{yard}", s.yard)
	page("GET /yards/{yard}/season", s.season)
	page("GET /yards/{yard}/chart/gain.svg", s.yardChart)
	page("GET /yards/{yard}/hives/{hive}", s.hive)
	page("GET /yards/{yard}/daily.csv", s.yardCSV)
	page("GET /yards/{yard}/hives/{hive}/daily.csv", s.hiveCSV)
	page("GET /yards/{yard}/hives/{hive}/readings.csv", s.readingsCSV)
	page("GET /yards/{yard}/hives/{hive}/chart/{chart}", s.hiveChart)
	page("GET /findings", s.findings)
	page("GET /findings/{id}", s.finding)
	page("GET /findings/{id}/answer", s.answer)
	page("POST /findings/{id}/answer", s.answerGive)
	page("GET /alerts", s.alertList)
	page("GET /do/{token}", s.link)
	page("POST /do/{token}", s.linkUse)
	page("GET /nodes", s.nodes)
	page("GET /settings", s.settings)
	page("GET /refused", s.refused)
	page("POST /refused", s.refusedRetry)
	page("GET /journal", s.journal)
	page("POST /journal", s.journalAdd)
	page("GET /journal/{id}", s.journalFix)
	page("POST /journal/{id}", s.journalFixed)
	page("GET /sign-in", s.signIn)
	page("POST /sign-in", s.signInGive)
	page("GET /you", s.you)
	page("POST /you/password", s.passwordGive)
	page("POST /you/sign-out", s.signOut)
	page("/", func(http.ResponseWriter, *http.Request) error { return errNoPage })

	for _, r := range s.apiRoutes() {
		s.handle(r.Method+" "+r.Path, s.api(r))
	}
	s.handle("/api/", http.HandlerFunc(s.apiUnknown))

	s.handle("GET /static/{file}", http.HandlerFunc(serveStatic))
	s.handle("GET /events", http.HandlerFunc(s.events))
	s.handle("GET /healthz", http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "alive") }))
	s.handle("GET /readyz", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := s.Ready(r.Context()); err != nil {
			plain(w, http.StatusServiceUnavailable, "not ready: "+err.Error())
			return
		}
		plain(w, http.StatusOK, "ready")
	}))
	if o.Gatherer != nil {
		s.handle("GET /metrics", promhttp.HandlerFor(o.Gatherer, promhttp.HandlerOpts{}))
	}
	return s
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text + "\n"))
}
