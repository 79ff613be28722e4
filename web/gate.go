package web

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"outyard"
	"outyard/store"
)

// Accounts is the part of the store that knows who may come in. What is not
// there is [store.ErrNotFound].
type Accounts interface {
	HasKeepers(ctx context.Context) (bool, error)
	Keeper(ctx context.Context, name string) (k outyard.Keeper, password string, err error)
	SetPassword(ctx context.Context, name, password string) error

	AddSession(ctx context.Context, hash, old []byte, name, password string, now, idle, oldest time.Time) error
	Session(ctx context.Context, hash []byte) (store.Session, error)
	SeeSession(ctx context.Context, hash []byte, now time.Time) error
	EndSession(ctx context.Context, hash []byte) error

	Token(ctx context.Context, hash []byte) (store.Token, error)
	UseToken(ctx context.Context, id string, now time.Time) error
}

// A need is what somebody has to be allowed, to use an address.
type need int

const (
	nothing need = iota // open to everybody
	reading
	writing // the journal
	keeping // everything
)

// open are the routes that need nothing: how to come in, what a message's link
// carries its own proof for, and what a machine asks whether all is well.
var open = map[string]bool{
	"GET /sign-in": true, "POST /sign-in": true,
	"GET /do/{token}": true, "POST /do/{token}": true,
	"GET /static/{file}": true, "GET /api/v1/openapi.json": true,
	"GET /healthz": true, "GET /readyz": true,
}

// needOf is what a route needs: reading where it reads, and all else
// everything, but for the journal and one's own account. Answers to a finding
// are for the journal in part; their handler looks closer.
func (s *site) needOf(pattern string) need {
	method, path, bound := strings.Cut(pattern, " ")
	switch {
	case open[pattern]:
		return nothing
	case pattern == "GET /metrics" && s.Loopback && s.PagesAt == "": // a proxy on this machine asks for others
		return nothing
	case !bound, method == http.MethodGet, strings.HasPrefix(path, "/you"):
		return reading
	case strings.HasPrefix(path, "/journal"), strings.HasPrefix(path, "/api/v1/journal"), pattern == "POST /findings/{id}/answer":
		return writing
	}
	return keeping
}

// roles and scopes are what each of them is enough for.
var (
	roles  = map[outyard.Role]need{outyard.RoleKeeper: keeping, outyard.RoleHelper: writing, outyard.RoleReader: reading}
	scopes = map[outyard.Scope]need{outyard.ScopeAll: keeping, outyard.ScopeJournal: writing, outyard.ScopeRead: reading}
)

// may says whether what the visitor is allowed is enough.
func (v visitor) may(n need) bool {
	return n == nothing || v.Owner || v.Keeper.Name != "" && min(roles[v.Keeper.Role], scopes[v.Scope]) >= n
}

// gate lets through whoever may use the route, and says to others how they
// may.
func (s *site) gate(pattern string, next http.Handler) http.Handler {
	n := s.needOf(pattern)
	if n == nothing {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v, err := s.visitor(r)
		if errors.Is(err, context.Canceled) {
			return // left before we knew
		}
		if err != nil {
			s.Log.Error("visitor not looked up", "path", r.URL.Path, "err", err)
			s.refuse(w, r, http.StatusInternalServerError, "It could not be looked up who you are. The log of the daemon says why; the readings are safe.")
			return
		}
		r = withVisitor(r, v)
		switch {
		case v.may(n):
			next.ServeHTTP(w, r)
		case v.Keeper.Name != "":
			s.refuse(w, r, http.StatusForbidden, mayNot(v, n))
		case !strings.HasPrefix(r.URL.Path, "/api/") && (r.Method == http.MethodGet || r.Method == http.MethodHead):
			w.Header().Set("Cache-Control", "no-store")
			http.Redirect(w, r, "/sign-in?next="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
		default:
			w.Header().Set("WWW-Authenticate", `Bearer realm="outyard"`)
			detail := "Sign in first, or send a token: outyard keeper token add makes one. Nothing was changed."
			if note := r.PostFormValue("note"); note != "" { // a session that ended meanwhile
				detail = "You are not signed in any more, so nothing was written yet. Copy your note from here, sign in, and write it again: " + cutTo(printable(note), maxNote)
			}
			s.refuse(w, r, http.StatusUnauthorized, detail)
		}
	})
}

// mayNot says what somebody may not, in words.
func mayNot(v visitor, n need) string {
	if roles[v.Keeper.Role] >= n {
		return fmt.Sprintf("This token is of the scope %q, which is not enough for that. Nothing was changed.", v.Scope)
	}
	return fmt.Sprintf("The account %s is a %s’s, %s. Nothing was changed. Somebody with the role keeper can do it, or give you another role.",
		v.Keeper.Name, v.Keeper.Role, roleTexts[v.Keeper.Role])
}

var roleTexts = map[outyard.Role]string{
	outyard.RoleKeeper: "who may do everything",
	outyard.RoleHelper: "who reads everything and writes the journal",
	outyard.RoleReader: "who reads everything and changes nothing",
}

const (
	// A browser stays signed in for as long as it is used each month, and half
	// a year at most: a phone in the yard has to be ready.
	sessionIdle = 30 * 24 * time.Hour
	sessionLife = 180 * 24 * time.Hour
	// seenEvery is how exactly the use of a session or token is noted.
	seenEvery = 5 * time.Minute
)

// visitor finds out who a request comes from.
func (s *site) visitor(r *http.Request) (visitor, error) {
	owner := visitor{Owner: true}
	if s.Accounts == nil {
		if s.Everybody {
			return owner, nil
		}
		return visitor{}, nil // a gate that was forgotten is shut
	}
	if s.Loopback || s.WithoutSignIn {
		if any, err := s.Accounts.HasKeepers(r.Context()); err != nil || !any {
			return owner, err
		}
	}
	if given := r.Header.Get("Authorization"); given != "" {
		return s.visitorWithToken(r.Context(), given)
	}
	return s.visitorWithSession(r)
}

func (s *site) visitorWithToken(ctx context.Context, given string) (visitor, error) {
	scheme, secret, _ := strings.Cut(given, " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return visitor{}, nil
	}
	if s.OwnToken != "" && subtle.ConstantTimeCompare([]byte(secret), []byte(s.OwnToken)) == 1 {
		return visitor{Owner: true}, nil
	}
	t, err := s.Accounts.Token(ctx, SecretHash(secret))
	if errors.Is(err, store.ErrNotFound) {
		return visitor{}, nil
	}
	now := s.Now()
	if err != nil || !t.Expires.IsZero() && !now.Before(t.Expires) {
		return visitor{}, err
	}
	if now.Sub(t.Used) >= seenEvery {
		err = s.Accounts.UseToken(ctx, t.ID, now)
	}
	return visitor{Keeper: t.Keeper, Scope: t.Scope}, err
}

func (s *site) visitorWithSession(r *http.Request) (visitor, error) {
	hash := sessionOf(r)
	if hash == nil {
		return visitor{}, nil
	}
	v, err := s.Accounts.Session(r.Context(), hash)
	if errors.Is(err, store.ErrNotFound) {
		return visitor{}, nil
	}
	now := s.Now()
	if err != nil || now.Sub(v.Seen) >= sessionIdle || now.Sub(v.Made) >= sessionLife {
		return visitor{}, err
	}
	if now.Sub(v.Seen) >= seenEvery {
		err = s.Accounts.SeeSession(r.Context(), hash, now)
	}
	return visitor{Keeper: v.Keeper, Scope: outyard.ScopeAll}, err
}

// SecretHash is what is kept of a secret that was made at random, and so needs
// no slow hash: a session's, or a token's.
func SecretHash(secret string) []byte {
	sum := sha256.Sum256([]byte(secret))
	return sum[:]
}

const sessionCookie = "outyard_session"

// sessionOf is the hash of what the browser holds; nil: nothing.
func sessionOf(r *http.Request) []byte {
	c, err := r.Cookie(sessionCookie)
	if err != nil || c.Value == "" {
		return nil
	}
	return SecretHash(c.Value)
}

// secure says whether cookies can be kept to encrypted connections.
func (s *site) secure(r *http.Request) bool {
	return r.TLS != nil || strings.HasPrefix(s.PagesAt, "https:")
}
