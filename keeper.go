package outyard

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// A Role is what somebody with an account may do.
type Role string

// The roles.
const (
	RoleKeeper Role = "keeper" // everything
	RoleHelper Role = "helper" // reads, and writes the journal
	RoleReader Role = "reader" // reads
)

// Roles lists every role, the one that may do most first.
var Roles = []Role{RoleKeeper, RoleHelper, RoleReader}

// Check says whether there is such a role.
func (r Role) Check() error {
	if !slices.Contains(Roles, r) {
		return fmt.Errorf("role %q: want keeper, helper or reader", string(r))
	}
	return nil
}

// A Scope is what a program with a token may do, of what the account may that
// the token belongs to.
type Scope string

// The scopes.
const (
	ScopeRead    Scope = "read"    // reads
	ScopeJournal Scope = "journal" // reads, and writes the journal
	ScopeAll     Scope = "all"     // whatever the account may
)

// Scopes lists every scope, the narrowest first.
var Scopes = []Scope{ScopeRead, ScopeJournal, ScopeAll}

// Check says whether there is such a scope.
func (s Scope) Check() error {
	if !slices.Contains(Scopes, s) {
		return fmt.Errorf("scope %q: want read, journal or all", string(s))
	}
	return nil
}

// A Keeper is somebody with an account.
type Keeper struct {
	Name  string // by which he signs in, and stands in the journal
	Role  Role
	Added time.Time
	Seen  time.Time // when he was last signed in; zero: never yet
}

var keeperName = regexp.MustCompile(`^[a-z0-9][a-z0-9._@-]{0,62}$`)

// KeeperName brings a name into the one form in which it is kept: a phone
// begins what is typed with a capital, and ends it with a space.
func KeeperName(typed string) (string, error) {
	name := strings.ToLower(strings.TrimSpace(typed))
	if !keeperName.MatchString(name) {
		return "", fmt.Errorf("name %q: want letters a to z, digits, and . _ @ - within, 63 at most", typed)
	}
	return name, nil
}
