package web

import (
	"encoding/base64"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"outyard/guessing"
)

// MinPassword is the fewest characters of a password. NIST SP 800-63B asks for
// 8 at least where other proof is asked for besides, which is not so here.
const MinPassword = 10

// maxPasswordBytes bounds what is hashed: far above what anybody types.
const maxPasswordBytes = 512

// A hash is kept in the form of the PHC string format.
var hashMark = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$", argon2.Version, guessing.MemoryKiB, guessing.Rounds, guessing.Threads)

// HashPassword is what is kept of a password. One that is too short or too
// long is an error that says what is wanted; there are no other rules.
func HashPassword(password string) (string, error) {
	if n := utf8.RuneCountInString(password); n < MinPassword {
		return "", fmt.Errorf("the password has %d characters: want %d at the least; a few words in a row do well", n, MinPassword)
	}
	if len(password) > maxPasswordBytes {
		return "", fmt.Errorf("the password has %d bytes: want %d at most", len(password), maxPasswordBytes)
	}
	return inPHC(guessing.Hash([]byte(password))), nil
}

func inPHC(hash []byte) string {
	return hashMark + inText.EncodeToString(hash[:guessing.SaltBytes]) + "$" + inText.EncodeToString(hash[guessing.SaltBytes:])
}

var inText = base64.RawStdEncoding

// nobody is a hash for names that have no account: looking one up must take as
// long as it does for those that have.
var nobody = inPHC(make([]byte, guessing.SaltBytes+guessing.HashBytes))

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
	return err1 == nil && err2 == nil && guessing.Is([]byte(password), append(salt, want...))
}
