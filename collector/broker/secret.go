package broker

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"outyard/guessing"
)

// Two sorts of secret, hashed in two ways:
//
// One that we made has 256 random bits. Nobody guesses that, however fast he
// may try, so one round of SHA-256 keeps it as well as anything dearer would,
// and a thousand nodes that come back at once after a power cut cost less than
// a hundredth of a second.
//
// One that somebody chose may be a word, and is worth the tens of milliseconds of CPU
// and 19 MiB that argon2id takes, which whoever guesses pays too. The broker
// works out one at a time, and only for the first connection of a node since
// its start: see proofs.
const (
	madeBytes = 32
	madeMark  = "sha256:"
	// memory, rounds and threads of package guessing
	chosenMark = "argon2id-19456-2-1:"
)

// MinSecret is the fewest characters of a secret that somebody chose: devices
// keep it, nobody has to type it each day. MaxSecret is the most, far above
// what a device takes.
const MinSecret, MaxSecret = 12, 1024

// MakeSecret makes a secret that nobody can guess, and its hash.
func MakeSecret() (secret, hash string) {
	b := make([]byte, madeBytes)
	_, _ = rand.Read(b) // it never fails: crypto/rand ends the program first
	secret = base64.RawURLEncoding.EncodeToString(b)
	sum := sha256.Sum256([]byte(secret))
	return secret, madeMark + hex.EncodeToString(sum[:])
}

// HashSecret is the hash of a secret that somebody chose.
func HashSecret(secret string) (hash string, err error) {
	if n := len(secret); n < MinSecret || n > MaxSecret {
		return "", fmt.Errorf("the secret has %d characters: want %d to %d, or let one be made", n, MinSecret, MaxSecret)
	}
	if strings.ContainsAny(secret, "\x00\r\n") {
		return "", errors.New("the secret has a line break or a zero byte in it: want one line")
	}
	return chosenMark + hex.EncodeToString(guessing.Hash([]byte(secret))), nil
}

// isMade says whether a hash is of a secret that we made, and cheap to check.
func isMade(hash string) bool { return strings.HasPrefix(hash, madeMark) }

// isSecret says whether a secret is the one that was hashed. A hash of another
// form is nobody's.
func isSecret(secret []byte, hash string) bool {
	if len(secret) > MaxSecret {
		return false
	}
	if text, ok := strings.CutPrefix(hash, madeMark); ok {
		want, err := hex.DecodeString(text)
		sum := sha256.Sum256(secret)
		return err == nil && subtle.ConstantTimeCompare(sum[:], want) == 1
	}
	if text, ok := strings.CutPrefix(hash, chosenMark); ok {
		want, err := hex.DecodeString(text)
		return err == nil && guessing.Is(secret, want)
	}
	return false
}
