package sqlite

import (
	"testing"
	"time"

	"outyard"
	"outyard/store"

	"github.com/stretchr/testify/require"
)

// signIn makes a session an hour after the accounts were added.
func signIn(t *testing.T, s *Store, hash, old, name, password string, now time.Time) error {
	t.Helper()
	return s.AddSession(t.Context(), []byte(hash), []byte(old), name, password, now, now.Add(-24*time.Hour), now.Add(-72*time.Hour))
}

func withKeepers(t *testing.T) *Store {
	t.Helper()
	s := open(t, t.TempDir())
	require.NoError(t, s.AddKeeper(t.Context(), outyard.Keeper{Name: "maren", Role: outyard.RoleKeeper, Added: noon}, "hash-m"))
	require.NoError(t, s.AddKeeper(t.Context(), outyard.Keeper{Name: "ines", Role: outyard.RoleReader, Added: noon}, "hash-i"))
	return s
}

func TestAccounts(t *testing.T) {
	s := open(t, t.TempDir())
	has := func() bool {
		yes, err := s.HasKeepers(t.Context())
		require.NoError(t, err)
		return yes
	}
	require.False(t, has())
	require.ErrorIs(t, s.AddKeeper(t.Context(), outyard.Keeper{Name: "ines", Role: outyard.RoleHelper, Added: noon}, "x"), store.ErrLastKeeper,
		"the first may do everything, or nobody could add a second")
	require.False(t, has(), "nothing was half added")
	maren := outyard.Keeper{Name: "maren", Role: outyard.RoleKeeper, Added: noon}
	require.NoError(t, s.AddKeeper(t.Context(), maren, "hash"))
	require.True(t, has())
	require.ErrorIs(t, s.AddKeeper(t.Context(), maren, "other"), store.ErrExists)
	require.Error(t, s.AddKeeper(t.Context(), outyard.Keeper{Name: "odd", Role: "queen", Added: noon}, "x"))

	k, password, err := s.Keeper(t.Context(), "maren")
	require.NoError(t, err)
	require.Equal(t, "hash", password)
	requireSame(t, maren, k)
	_, _, err = s.Keeper(t.Context(), "nobody")
	require.ErrorIs(t, err, store.ErrNotFound)

	require.NoError(t, s.AddKeeper(t.Context(), outyard.Keeper{Name: "ines", Role: outyard.RoleReader, Added: noon}, "x"))
	require.ErrorIs(t, s.SetRole(t.Context(), "maren", outyard.RoleHelper), store.ErrLastKeeper)
	require.ErrorIs(t, s.RemoveKeeper(t.Context(), "maren"), store.ErrLastKeeper)
	require.ErrorIs(t, s.SetRole(t.Context(), "nobody", outyard.RoleHelper), store.ErrNotFound)
	require.NoError(t, s.SetRole(t.Context(), "ines", outyard.RoleKeeper))
	require.NoError(t, s.SetRole(t.Context(), "maren", outyard.RoleHelper))
	all, err := s.Keepers(t.Context())
	require.NoError(t, err)
	requireSame(t, []outyard.Keeper{{Name: "ines", Role: outyard.RoleKeeper, Added: noon}, {Name: "maren", Role: outyard.RoleHelper, Added: noon}}, all)

	require.NoError(t, s.RemoveKeeper(t.Context(), "maren"))
	require.NoError(t, s.RemoveKeeper(t.Context(), "ines"), "the very last may go")
	require.ErrorIs(t, s.RemoveKeeper(t.Context(), "ines"), store.ErrNotFound)
	require.False(t, has())
}

func TestSessions(t *testing.T) {
	gone := func(t *testing.T, s *Store, hash string) {
		t.Helper()
		_, err := s.Session(t.Context(), []byte(hash))
		require.ErrorIs(t, err, store.ErrNotFound, hash)
	}
	there := func(t *testing.T, s *Store, hash string) store.Session {
		t.Helper()
		v, err := s.Session(t.Context(), []byte(hash))
		require.NoError(t, err, hash)
		return v
	}
	t.Run("a session knows whose it is, as he is now", func(t *testing.T) {
		s := withKeepers(t)
		require.NoError(t, signIn(t, s, "one", "", "ines", "hash-i", noon))
		v := there(t, s, "one")
		require.Equal(t, "ines reader", v.Keeper.Name+" "+string(v.Keeper.Role))
		require.Equal(t, noon, v.Made)
		require.NoError(t, s.SetRole(t.Context(), "ines", outyard.RoleHelper))
		require.NoError(t, s.SeeSession(t.Context(), []byte("one"), noon.Add(time.Hour)))
		v = there(t, s, "one")
		require.Equal(t, outyard.RoleHelper, v.Keeper.Role)
		require.Equal(t, []time.Time{noon.Add(time.Hour), noon.Add(time.Hour)}, []time.Time{v.Seen, v.Keeper.Seen})
		require.NoError(t, s.EndSession(t.Context(), []byte("one")))
		require.NoError(t, s.EndSession(t.Context(), []byte("one")), "twice is once")
		gone(t, s, "one")
	})
	t.Run("signing in again takes the place of the session before", func(t *testing.T) {
		s := withKeepers(t)
		require.NoError(t, signIn(t, s, "one", "", "ines", "hash-i", noon))
		require.NoError(t, signIn(t, s, "two", "one", "maren", "hash-m", noon))
		gone(t, s, "one")
		there(t, s, "two")
	})
	t.Run("what is too old is forgotten", func(t *testing.T) {
		s := withKeepers(t)
		require.NoError(t, signIn(t, s, "idle", "", "ines", "hash-i", noon))
		require.NoError(t, signIn(t, s, "old", "", "ines", "hash-i", noon))
		require.NoError(t, s.SeeSession(t.Context(), []byte("old"), noon.Add(71*time.Hour)))
		require.NoError(t, signIn(t, s, "new", "", "maren", "hash-m", noon.Add(25*time.Hour)))
		gone(t, s, "idle")
		there(t, s, "old")
		require.NoError(t, signIn(t, s, "newer", "", "maren", "hash-m", noon.Add(73*time.Hour)))
		gone(t, s, "old")
	})
	t.Run("another password ends the account's sessions, and no others", func(t *testing.T) {
		s := withKeepers(t)
		require.NoError(t, signIn(t, s, "one", "", "ines", "hash-i", noon))
		require.NoError(t, signIn(t, s, "two", "", "maren", "hash-m", noon))
		require.NoError(t, s.SetPassword(t.Context(), "ines", "hash-new"))
		gone(t, s, "one")
		there(t, s, "two")
		require.ErrorIs(t, signIn(t, s, "late", "", "ines", "hash-i", noon), store.ErrNotFound, "who was held against the old password is not let in")
		gone(t, s, "late")
		require.ErrorIs(t, s.SetPassword(t.Context(), "nobody", "x"), store.ErrNotFound)
	})
	t.Run("a newer hash of the same password ends nothing", func(t *testing.T) {
		s := withKeepers(t)
		require.NoError(t, signIn(t, s, "one", "", "ines", "hash-i", noon))
		require.NoError(t, s.RehashPassword(t.Context(), "ines", "hash-i", "hash-newer"))
		require.NoError(t, s.RehashPassword(t.Context(), "ines", "hash-i", "hash-lost"), "changed meanwhile: left alone")
		there(t, s, "one")
		_, password, err := s.Keeper(t.Context(), "ines")
		require.NoError(t, err)
		require.Equal(t, "hash-newer", password)
	})
	t.Run("a removed account has no sessions or tokens left", func(t *testing.T) {
		s := withKeepers(t)
		require.NoError(t, signIn(t, s, "one", "", "ines", "hash-i", noon))
		require.NoError(t, s.AddToken(t.Context(), store.Token{ID: "t1", Keeper: outyard.Keeper{Name: "ines"}, Scope: outyard.ScopeRead, Made: noon}, []byte("token")))
		require.NoError(t, s.RemoveKeeper(t.Context(), "ines"))
		gone(t, s, "one")
		_, err := s.Token(t.Context(), []byte("token"))
		require.ErrorIs(t, err, store.ErrNotFound)
	})
	t.Run("somebody's browsers are bounded, the oldest first", func(t *testing.T) {
		s := withKeepers(t)
		for i := range mostSessions + 1 {
			require.NoError(t, signIn(t, s, string(rune('A'+i)), "", "ines", "hash-i", noon.Add(time.Duration(i)*time.Second)))
		}
		gone(t, s, "A")
		there(t, s, "B")
		there(t, s, string(rune('A'+mostSessions)))
	})
}

func TestTokens(t *testing.T) {
	s := withKeepers(t)
	token := store.Token{ID: "t1", Keeper: outyard.Keeper{Name: "ines"}, Label: "dashboard", Scope: outyard.ScopeRead, Made: noon, Expires: noon.Add(time.Hour)}
	require.NoError(t, s.AddToken(t.Context(), token, []byte("hash")))
	token.ID, token.Label, token.Scope, token.Keeper.Name, token.Expires = "t2", "", outyard.ScopeAll, "maren", time.Time{}
	require.NoError(t, s.AddToken(t.Context(), token, []byte("other")))
	token.Keeper.Name = "nobody"
	require.ErrorIs(t, s.AddToken(t.Context(), token, []byte("third")), store.ErrNotFound)
	token.Scope = "queen"
	require.Error(t, s.AddToken(t.Context(), token, []byte("third")))

	got, err := s.Token(t.Context(), []byte("hash"))
	require.NoError(t, err)
	requireSame(t, store.Token{ID: "t1", Keeper: outyard.Keeper{Name: "ines", Role: outyard.RoleReader, Added: noon}, Label: "dashboard",
		Scope: outyard.ScopeRead, Made: noon, Expires: noon.Add(time.Hour)}, got)
	require.NoError(t, s.UseToken(t.Context(), "t1", noon.Add(time.Minute)))
	of := func(name string) (ids []string) {
		list, err := s.Tokens(t.Context(), name)
		require.NoError(t, err)
		for _, tk := range list {
			ids = append(ids, tk.ID+" "+tk.Used.Format("15:04"))
		}
		return ids
	}
	require.Equal(t, []string{"t1 12:01", "t2 00:00"}, of(""))
	require.Equal(t, []string{"t2 00:00"}, of("maren"))
	require.NoError(t, s.RemoveToken(t.Context(), "t1"))
	require.ErrorIs(t, s.RemoveToken(t.Context(), "t1"), store.ErrNotFound)
	_, err = s.Token(t.Context(), []byte("hash"))
	require.ErrorIs(t, err, store.ErrNotFound)
}

// TestBesideADaemon holds that accounts can be changed while a daemon writes,
// and that it sees them at once.
func TestBesideADaemon(t *testing.T) {
	dir := t.TempDir()
	daemon := open(t, dir)
	done := make(chan error, 1)
	stop := make(chan struct{})
	go func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if _, err := daemon.Keep(t.Context(), weights("h01", noon.Add(time.Duration(i)*time.Hour), 3)); err != nil {
				done <- err
				return
			}
		}
	}()
	for _, name := range []string{"maren", "ines", "tove"} {
		beside, err := OpenBeside(t.Context(), dir)
		require.NoError(t, err)
		require.NoError(t, beside.AddKeeper(t.Context(), outyard.Keeper{Name: name, Role: outyard.RoleKeeper, Added: noon}, "hash"))
		_, _, err = daemon.Keeper(t.Context(), name)
		require.NoError(t, err, "the daemon sees it")
		require.NoError(t, beside.Close())
	}
	close(stop)
	require.NoError(t, <-done)
	require.NoError(t, daemon.AddKeeper(t.Context(), outyard.Keeper{Name: "runa", Role: outyard.RoleReader, Added: noon}, "hash"))
	require.NoError(t, daemon.Close())

	alone, err := OpenBeside(t.Context(), dir)
	require.NoError(t, err)
	defer alone.Close()
	all, err := alone.Keepers(t.Context())
	require.NoError(t, err)
	require.Len(t, all, 4)
	_, err = Open(t.Context(), dir)
	require.ErrorIs(t, err, store.ErrInUse, "alone it keeps daemons out")
}
