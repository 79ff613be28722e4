package outyard

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// A Node is a box of electronics that sends readings: the name under which it
// comes to our own broker, and where it may write. It may move between hives;
// what it writes says which.
type Node struct {
	User    string // its name at the broker
	Secret  string // hash of its secret, with how it was made; never the secret
	Grounds []Ground
	Added   time.Time
}

// A Ground is what a node may write: everything of a yard, or one of its hives.
type Ground struct {
	Yard YardID
	Hive HiveID // empty: every hive of the yard, and its weather
}

// nodeUser leaves out what has a meaning in topics, files and addresses.
var nodeUser = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,62}$`)

// CheckNodeUser says what is wrong with the name of a node, if anything.
func CheckNodeUser(user string) error {
	if !nodeUser.MatchString(user) {
		return fmt.Errorf("node %q: want 1 to 63 letters, digits, and . _ - behind the first", user)
	}
	return nil
}

// MayWrite says whether the node may write readings of that hive, or with no
// hive of the yard's weather.
func (n Node) MayWrite(yard YardID, hive HiveID) bool {
	return slices.ContainsFunc(n.Grounds, func(g Ground) bool {
		return g.Yard == yard && (g.Hive == "" || g.Hive == hive)
	})
}

// MayWriteAll says whether the node may write everything of a yard.
func (n Node) MayWriteAll(yard YardID) bool { return slices.Contains(n.Grounds, Ground{Yard: yard}) }

// ParseGround reads a ground as String writes it.
func ParseGround(s string) (Ground, error) {
	yard, hive, ofHive := strings.Cut(s, "/")
	g := Ground{YardID(yard), HiveID(hive)}
	if err := g.Yard.Check(); err != nil {
		return Ground{}, err
	}
	if !ofHive {
		return g, nil
	}
	return g, g.Hive.Check()
}

// String is YARD, or YARD/HIVE.
func (g Ground) String() string {
	if g.Hive == "" {
		return string(g.Yard)
	}
	return string(g.Yard) + "/" + string(g.Hive)
}
