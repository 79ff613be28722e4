package web

import (
	"cmp"
	"crypto/rand"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"outyard"
	"outyard/store"
)

// How often a password may be tried: from one address as often as somebody
// mistypes, and for one account more, from everywhere together, so that nobody
// keeps a keeper out by trying in his name.
const (
	triesFrom, triesFromEvery = 10, time.Minute
	triesFor, triesForEvery   = 30, 20 * time.Second
	mostTriers                = 10_000
)

// signInPage asks for name and password.
type signInPage struct {
	Problem string
	Name    string
	Next    string
	Token   string
	Nobody  bool // there is no account yet
	Out     bool // just signed out
}

func (s *site) signIn(w http.ResponseWriter, r *http.Request) error {
	if s.Accounts == nil {
		return errNoPage
	}
	v, err := s.visitor(r)
	if err != nil {
		return fmt.Errorf("who asks to sign in: %w", err)
	}
	if v.Keeper.Name != "" {
		http.Redirect(w, r, within(r.URL.Query().Get("next")), http.StatusSeeOther)
		return nil
	}
	return s.signInShow(w, r, http.StatusOK, signInPage{Next: r.URL.Query().Get("next"), Out: r.URL.Query().Get("out") != ""})
}

func (s *site) signInShow(w http.ResponseWriter, r *http.Request, status int, v signInPage) error {
	any, err := s.Accounts.HasKeepers(r.Context())
	if err != nil {
		return err
	}
	v.Nobody, v.Token, v.Next = !any, s.token(w, r), within(v.Next)
	w.Header().Set("Cache-Control", "no-store")
	return s.show(w, r, status, "signin", frame{Title: "Sign in", Page: v})
}

// within is an address of our own to go on to: Today for any other.
func within(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") ||
		strings.HasPrefix(u.Path, "//") || strings.ContainsAny(next, "\\\r\n\t") || u.Path == "/sign-in" {
		return "/"
	}
	return u.RequestURI()
}

func (s *site) signInGive(w http.ResponseWriter, r *http.Request) error {
	if s.Accounts == nil {
		return errNoPage
	}
	if err := r.ParseForm(); err != nil {
		return &pageError{http.StatusBadRequest, "The form could not be read. Go back and try again."}
	}
	typed, next := r.PostFormValue("name"), r.PostFormValue("next")
	again := func(status int, problem string) error {
		return s.signInShow(w, r, status, signInPage{Problem: problem, Name: typed, Next: next})
	}
	if !s.ours(r) {
		return again(http.StatusForbidden, "The form was too old, so you are not signed in yet. Try once more; if that does not help, let this site keep cookies.")
	}
	name, err := outyard.KeeperName(typed)
	if err != nil {
		name = "" // no account has it: take as long as for one
	}
	hash, wait, err := s.check(r, name, r.PostFormValue("password"))
	switch {
	case err != nil:
		return err
	case wait > 0:
		return again(tooMany(w, wait))
	case hash == "":
		return again(http.StatusUnprocessableEntity, "That name and that password do not belong together.")
	}
	switch err := s.begin(w, r, name, hash); {
	case errors.Is(err, store.ErrNotFound): // changed in between
		return again(http.StatusUnprocessableEntity, "That name and that password do not belong together.")
	case err != nil:
		return err
	}
	http.Redirect(w, r, within(next), http.StatusSeeOther)
	return nil
}

// tooMany says how long to wait.
func tooMany(w http.ResponseWriter, wait time.Duration) (status int, problem string) {
	w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
	return http.StatusTooManyRequests, fmt.Sprintf("That was tried too often. Wait %.0f seconds, and try again.", math.Ceil(wait.Seconds()))
}

// check holds a password against that of an account, as often as may be tried;
// wait is how long it may not. hash is what is kept of it, and empty if it is
// not the one. All takes as long for a name that has no account.
func (s *site) check(r *http.Request, name, password string) (hash string, wait time.Duration, err error) {
	now := s.Now()
	if wait = s.triesFrom.Try(s.from(r), now); wait > 0 {
		return "", wait, nil
	}
	if wait = s.triesFor.Try(name, now); wait > 0 {
		return "", wait, nil
	}
	_, hash, err = s.Accounts.Keeper(r.Context(), name)
	known := !errors.Is(err, store.ErrNotFound)
	if known && err != nil {
		return "", 0, err
	}
	select { // each takes memory and a core for a while: one at a time
	case s.hashing <- struct{}{}:
		defer func() { <-s.hashing }()
	case <-r.Context().Done():
		return "", 0, r.Context().Err()
	}
	if right := isPassword(password, cmp.Or(hash, nobody)); !right || !known {
		s.Log.Warn("wrong password", "from", s.from(r))
		return "", 0, nil
	}
	return hash, 0, nil
}

// begin starts a session, in the place of any other of this browser.
func (s *site) begin(w http.ResponseWriter, r *http.Request, name, password string) error {
	secret := rand.Text() + rand.Text() // 260 bits
	now := s.Now()
	if err := s.Accounts.AddSession(r.Context(), SecretHash(secret), sessionOf(r), name, password, now, now.Add(-sessionIdle), now.Add(-sessionLife)); err != nil {
		return err
	}
	s.cookie(w, r, secret, int(sessionLife/time.Second))
	return nil
}

// cookie gives the browser its session, or takes it away with an age below
// zero. A link in a mail has to find somebody signed in, which Strict would not
// allow; what changes anything asks for more than the cookie.
func (s *site) cookie(w http.ResponseWriter, r *http.Request, secret string, age int) {
	http.SetCookie(w, &http.Cookie{Name: sessionCookie, Value: secret, Path: "/", MaxAge: age, HttpOnly: true, Secure: s.secure(r), SameSite: http.SameSiteLaxMode})
}

// youPage is somebody's own account.
type youPage struct {
	Name, Role, May string
	Token           string
	Problem         string
	Changed         bool
	MinPassword     int
}

func (s *site) you(w http.ResponseWriter, r *http.Request) error {
	if by(r) == "" {
		return errNoPage
	}
	return s.youShow(w, r, http.StatusOK, youPage{Changed: r.URL.Query().Get("changed") != ""})
}

func (s *site) youShow(w http.ResponseWriter, r *http.Request, status int, v youPage) error {
	k := visitorOf(r).Keeper
	v.Name, v.Role, v.May, v.Token, v.MinPassword = k.Name, string(k.Role), roleTexts[k.Role], s.token(w, r), MinPassword
	w.Header().Set("Cache-Control", "no-store")
	return s.show(w, r, status, "you", frame{Title: "You", Here: "you", Page: v})
}

func (s *site) signOut(w http.ResponseWriter, r *http.Request) error {
	if by(r) == "" {
		return errNoPage
	}
	if !s.ours(r) {
		return s.youShow(w, r, http.StatusForbidden, youPage{Problem: "The form was too old, so you are still signed in. Press the button once more."})
	}
	if err := s.Accounts.EndSession(r.Context(), sessionOf(r)); err != nil {
		return err
	}
	s.cookie(w, r, "", -1)
	http.Redirect(w, r, "/sign-in?out=1", http.StatusSeeOther)
	return nil
}

// passwordGive changes somebody's own password, which ends all his sessions
// but this.
func (s *site) passwordGive(w http.ResponseWriter, r *http.Request) error {
	name := by(r)
	if name == "" {
		return errNoPage
	}
	again := func(status int, problem string) error { return s.youShow(w, r, status, youPage{Problem: problem}) }
	if !s.ours(r) {
		return again(http.StatusForbidden, "The form was too old, so nothing was changed yet. Try once more.")
	}
	hash, wait, err := s.check(r, name, r.PostFormValue("old"))
	switch {
	case err != nil:
		return err
	case wait > 0:
		return again(tooMany(w, wait))
	case hash == "":
		return again(http.StatusUnprocessableEntity, "The password of now is another one, so nothing was changed.")
	}
	if hash, err = HashPassword(r.PostFormValue("new")); err != nil {
		return again(http.StatusUnprocessableEntity, sentence(err.Error())+".")
	}
	if err := s.Accounts.SetPassword(r.Context(), name, hash); err != nil {
		return err
	}
	if err := s.begin(w, r, name, hash); err != nil {
		return err
	}
	http.Redirect(w, r, "/you?changed=1", http.StatusSeeOther)
	return nil
}
