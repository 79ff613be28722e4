package web

import (
	"net"
	"net/http"
	"net/netip"
	"strings"

	"outyard/guessing"
)

// from is where a request comes from, for counting. Behind a proxy
// on this machine it is whom the proxy names last, which nobody but the proxy
// writes.
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
	return guessing.Place(ip)
}
