package alerts

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// A LinkAct is what a link out of a message does.
type LinkAct string

// The acts.
const (
	LinkSeen LinkAct = "seen" // somebody will see to it
	LinkMine LinkAct = "mine" // it was the keeper's own work
)

// A Link is what somebody may do once without signing in, because a message
// gave it to him.
type Link struct {
	ID      string // the same for the same link
	Act     LinkAct
	Finding string
	Expires time.Time
}

// Errors of a link that does nothing.
var (
	ErrLinkForged  = errors.New("the link is not one of ours, or was cut short")
	ErrLinkExpired = errors.New("the link has expired")
)

// linkLasts is how long a link works: over a holiday. Common practice, no
// source.
const linkLasts = 14 * day

// Links makes and reads the links of messages. Whoever has one may use it, so
// each says all that it can do, to which finding and until when, under a keyed
// hash (HMAC-SHA256, RFC 2104) that nobody else can make.
type Links struct {
	base string
	key  []byte
}

// NewLinks returns links below base, the address at which the pages are
// reached, without a slash at its end.
func NewLinks(base string, key []byte) *Links { return &Links{base: base, key: key} }

// Make writes a link into a message to one address.
func (l *Links) Make(to address, act LinkAct, finding string, now time.Time) string {
	// The address is part of it so that each reader has a link of his own.
	text := strings.Join([]string{string(act), strconv.FormatInt(now.Add(linkLasts).Unix(), 10), strconv.Itoa(to.target), to.route, finding}, "\n")
	return l.base + "/do/" + base64.RawURLEncoding.EncodeToString([]byte(text)) + "." + base64.RawURLEncoding.EncodeToString(l.sum(text))
}

// Read says what a link does, by its last part.
func (l *Links) Read(token string, now time.Time) (Link, error) {
	text, sum, _ := strings.Cut(token, ".")
	said, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return Link{}, ErrLinkForged
	}
	signed, err := base64.RawURLEncoding.DecodeString(sum)
	if err != nil || !hmac.Equal(signed, l.sum(string(said))) {
		return Link{}, ErrLinkForged
	}
	parts := strings.Split(string(said), "\n")
	if len(parts) != 5 {
		return Link{}, fmt.Errorf("%w: it was made by another outyard", ErrLinkForged)
	}
	expires, err := strconv.ParseInt(parts[1], 10, 64)
	if err != nil {
		return Link{}, ErrLinkForged
	}
	link := Link{ID: hex.EncodeToString(signed), Act: LinkAct(parts[0]), Finding: parts[4], Expires: time.Unix(expires, 0).UTC()}
	if !now.Before(link.Expires) {
		return link, ErrLinkExpired
	}
	return link, nil
}

func (l *Links) sum(text string) []byte {
	m := hmac.New(sha256.New, l.key)
	m.Write([]byte("outyard link\n" + text))
	return m.Sum(nil)
}
