package web

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// MinPassword is the fewest characters of a password. NIST SP 800-63B asks for
// 8 at least where other proof is asked for besides, which is not so here.
const MinPassword = 10

// maxPasswordBytes bounds what is hashed: far above what anybody types.
const maxPasswordBytes = 512

// The cost of a hash: OWASP Password Storage Cheat Sheet, argon2id, m=19456
// (19 MiB), t=2, p=1; and salt and hash as long as RFC 9106 §3.1 recommends.
const (
	hashMemoryKiB, hashRounds, hashThreads = 19456, 2, 1
	saltBytes, hashBytes                   = 16, 32
)

var hashMark = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$", argon2.Version, hashMemoryKiB, hashRounds, hashThreads)

// HashPassword is what is kept of a password. One that is too short or too
// long is an error that says what is wanted; there are no other rules.
func HashPassword(password string) (string, error) {
	if n := utf8.RuneCountInString(password); n < MinPassword {
		return "", fmt.Errorf("the password has %d characters: want %d at the least; a few words in a row do well", n, MinPassword)
	}
	if len(password) > maxPasswordBytes {
		return "", fmt.Errorf("the password has %d bytes: want %d at most", len(password), maxPasswordBytes)
	}
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt) // it never fails: crypto/rand ends the program first
	return hashMark + inText.EncodeToString(salt) + "$" + inText.EncodeToString(stretched(password, salt)), nil
}

var inText = base64.RawStdEncoding

func stretched(password string, salt []byte) []byte {
	return argon2.IDKey([]byte(password), salt, hashRounds, hashMemoryKiB, hashThreads, hashBytes)
}

// nobody is a hash for names that have no account: looking one up must take as
// long as it does for those that have.
var nobody = hashMark + inText.EncodeToString(make([]byte, saltBytes)) + "$" + inText.EncodeToString(make([]byte, hashBytes))

// isPassword says whether a password is the one that was hashed. A hash of
// another form is nobody's.
func isPassword(password, hash string) bool {
	text, ok := strings.CutPrefix(hash, hashMark)
	if !ok || len(password) > maxPasswordBytes {
		return false
	}
	saltText, wantText, _ := strings.Cut(text, "$")
	salt, err1 := inText.DecodeString(saltText)
	want, err2 := inText.DecodeString(wantText)
	return err1 == nil && err2 == nil && len(salt) == saltBytes && subtle.ConstantTimeCompare(stretched(password, salt), want) == 1
}
