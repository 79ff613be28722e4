package guessing

import (
	"fmt"
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestAHashIsOfOneSecret(t *testing.T) {
	hash := Hash([]byte("clover and thyme"))
	require.True(t, Is([]byte("clover and thyme"), hash))
	require.False(t, Is([]byte("clover and thymf"), hash))
	require.NotEqual(t, hash, Hash([]byte("clover and thyme")), "salted")
	for _, odd := range [][]byte{nil, hash[:SaltBytes], hash[:len(hash)-1], append(hash, 0)} {
		require.False(t, Is([]byte("clover and thyme"), odd), "%d bytes", len(odd))
	}
}

func TestAnAllowance(t *testing.T) {
	now := time.Date(2027, 5, 12, 18, 0, 0, 0, time.UTC)
	a := NewAllowance(3, time.Minute, 100)
	for range 3 {
		require.Zero(t, a.Try("keeper", now))
	}
	require.Equal(t, time.Minute, a.Try("keeper", now), "no fourth at once")
	require.Equal(t, time.Minute, a.Try("keeper", now), "and asking for it costs nothing")
	require.Zero(t, a.Try("helper", now), "another has his own")
	require.Equal(t, 20*time.Second, a.Wait("keeper", now.Add(40*time.Second)))
	require.Zero(t, a.Try("keeper", now.Add(time.Minute)), "one more may")
	require.Equal(t, time.Minute, a.Try("keeper", now.Add(time.Minute)))
	a.Spend("keeper", now.Add(time.Minute))
	require.Equal(t, 2*time.Minute, a.Wait("keeper", now.Add(time.Minute)), "what is spent without one is owed")
	for range 3 {
		require.Zero(t, a.Try("keeper", now.Add(time.Hour)), "all are back after a while")
	}
}

func TestAnAllowanceRemembersSoManyAndTheWorstOfThem(t *testing.T) {
	now := time.Date(2027, 5, 12, 18, 0, 0, 0, time.UTC)
	a := NewAllowance(3, time.Minute, 100)
	for range 3 {
		a.Spend("bad", now)
	}
	for i := range 1000 {
		a.Spend(fmt.Sprint(i), now)
	}
	require.Len(t, a.full, 100)
	require.Positive(t, a.Wait("bad", now))
	a.Spend("late", now.Add(time.Hour))
	require.Len(t, a.full, 1, "what is long over is forgotten")
}

func TestNeighboursInAnIPv6NetworkAreOnePlace(t *testing.T) {
	for addr, want := range map[string]string{
		"192.0.2.7":            "192.0.2.7",
		"::ffff:192.0.2.7":     "192.0.2.7",
		"2001:db8:1:2:3:4:5:6": "2001:db8:1:2::/64",
		"2001:db8:1:2:ffff::1": "2001:db8:1:2::/64",
		"fe80::1%eth0":         "fe80::/64",
		"2001:db8:1:3:ffff::1": "2001:db8:1:3::/64",
	} {
		require.Equal(t, want, Place(netip.MustParseAddr(addr)), addr)
	}
}
