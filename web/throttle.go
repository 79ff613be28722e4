package web

import (
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// A throttle gives each name an allowance of tries, which comes back with time.
type throttle struct {
	burst int           // tries at once
	every time.Duration // after which there is one more
	most  int           // names that are remembered

	mu sync.Mutex
	by map[string]*rate.Limiter
}

func newThrottle(burst int, every time.Duration, most int) *throttle {
	return &throttle{burst: burst, every: every, most: most, by: map[string]*rate.Limiter{}}
}

// try takes one of who's tries. Where none is left it takes nothing, and
// returns how long to wait.
func (t *throttle) try(who string, now time.Time) (wait time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	l, known := t.by[who]
	if !known {
		if len(t.by) >= t.most {
			t.makeRoom(now)
		}
		l = rate.NewLimiter(rate.Every(t.every), t.burst)
		t.by[who] = l
	}
	r := l.ReserveN(now, 1)
	if wait = r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
	}
	return wait
}

// makeRoom forgets those who have their whole allowance again, and where there
// are none, whoever has the most left of it.
func (t *throttle) makeRoom(now time.Time) {
	var calmest string
	most := -1.0
	for who, l := range t.by {
		left := l.TokensAt(now)
		if left >= float64(t.burst) {
			delete(t.by, who)
		} else if left > most {
			calmest, most = who, left
		}
	}
	if len(t.by) >= t.most {
		delete(t.by, calmest)
	}
}

// from is where a request comes from, for counting: an IPv6 network of 64
// bits as one, since whoever has an address there has all of them. Behind a
// proxy on this machine it is whom the proxy names last, which nobody but the
// proxy writes.
func (s *site) from(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if s.PagesAt != "" && ip.IsLoopback() {
		said := r.Header.Values("X-Forwarded-For")
		if len(said) > 0 {
			last := said[len(said)-1]
			if named, err := netip.ParseAddr(strings.TrimSpace(last[strings.LastIndexByte(last, ',')+1:])); err == nil {
				ip = named
			}
		}
	}
	ip = ip.Unmap().WithZone("")
	if ip.Is6() {
		if net, err := ip.Prefix(64); err == nil {
			return net.String()
		}
	}
	return ip.String()
}
