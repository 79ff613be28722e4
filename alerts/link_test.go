package alerts

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestLinks(t *testing.T) {
	now := time.Date(2027, 5, 12, 19, 0, 0, 0, time.UTC)
	const id = "swarm-alder-slip_h03-20270512T1900Z"
	links := NewLinks("https://bees.example", []byte("a key of thirty-two bytes, or so"))
	url := links.Make(address{"me", 0}, LinkMine, id, now)
	token, ok := strings.CutPrefix(url, "https://bees.example/do/")
	require.True(t, ok)

	link, err := links.Read(token, now.Add(13*day))
	require.NoError(t, err)
	require.Equal(t, LinkMine, link.Act)
	require.Equal(t, id, link.Finding)
	again, err := links.Read(token, now)
	require.NoError(t, err)
	require.Equal(t, link.ID, again.ID, "by which it is known when it was used")
	other, err := links.Read(strings.TrimPrefix(links.Make(address{"me", 1}, LinkMine, id, now), "https://bees.example/do/"), now)
	require.NoError(t, err)
	require.NotEqual(t, link.ID, other.ID, "another reader has another link")

	_, err = links.Read(token, now.Add(14*day))
	require.ErrorIs(t, err, ErrLinkExpired)
	// Any letter changed, any part lost, another key: nothing of it works.
	for i := range token {
		forged := []byte(token)
		forged[i] ^= 1
		if l, err := links.Read(string(forged), now); err == nil {
			require.Equal(t, link, l, "a letter of which base64 leaves bits unused")
		}
		_, err := links.Read(token[:i], now)
		require.ErrorIs(t, err, ErrLinkForged)
	}
	_, err = NewLinks("https://bees.example", []byte("another key")).Read(token, now)
	require.ErrorIs(t, err, ErrLinkForged)
}

func FuzzReadLink(f *testing.F) {
	now := time.Date(2027, 5, 12, 19, 0, 0, 0, time.UTC)
	links := NewLinks("", []byte("key"))
	f.Add(strings.TrimPrefix(links.Make(address{"me", 0}, LinkSeen, "damp-1", now), "/do/"))
	f.Fuzz(func(t *testing.T, token string) {
		if link, err := links.Read(token, now); err == nil && link.Finding != "damp-1" {
			t.Fatalf("a link to %q that nobody made", link.Finding)
		}
	})
}
