// Package guessing makes it dear to guess a secret: by a hash that takes its
// time, and by an allowance of tries. Nodes at the broker and people at the
// pages come in by doors that do not know each other, and both want the same
// care.
package guessing

import (
	"crypto/rand"
	"crypto/subtle"
	"net/netip"

	"golang.org/x/crypto/argon2"
)

// The cost of a hash: OWASP Password Storage Cheat Sheet, argon2id, m=19456
// (19 MiB), t=2, p=1; and salt and hash as long as RFC 9106 §3.1 recommends.
const (
	MemoryKiB, Rounds, Threads = 19456, 2, 1
	SaltBytes, HashBytes       = 16, 32
)

// Hash is a fresh salt, and after it the argon2id hash of a secret with it.
func Hash(secret []byte) []byte {
	salt := make([]byte, SaltBytes)
	_, _ = rand.Read(salt) // it never fails: crypto/rand ends the program first
	return append(salt, stretched(secret, salt)...)
}

// Is says whether a secret is the one that was hashed. What has not the length
// of a hash is nobody's.
func Is(secret, hash []byte) bool {
	return len(hash) == SaltBytes+HashBytes &&
		subtle.ConstantTimeCompare(stretched(secret, hash[:SaltBytes]), hash[SaltBytes:]) == 1
}

func stretched(secret, salt []byte) []byte {
	return argon2.IDKey(secret, salt, Rounds, MemoryKiB, Threads, HashBytes)
}

// Place is where an address is, for counting: an IPv6 network of 64 bits is one
// place, since whoever has an address there has all of them.
func Place(ip netip.Addr) string {
	ip = ip.Unmap().WithZone("")
	if ip.Is6() {
		if net, err := ip.Prefix(64); err == nil {
			return net.String()
		}
	}
	return ip.String()
}
