package configs

import (
	"fmt"
	"os"
	"strings"
)

// maxSecretBytes bounds a file with a secret.
const maxSecretBytes = 64 << 10

// expand puts in the secrets that s refers to: ${NAME} from the environment and
// ${file:PATH} from a file, whose last line break is left out. One that stands
// within an address is escaped, so that a password may have an @ in it; one that
// is all of s is taken as it is. It is false when one is missing, which has then
// been said.
func (r *reader) expand(at item, s string) (string, bool) { return r.expandAs(at, s, escape) }

// fileName puts in what the name of a file refers to, such as the folder in which a
// service manager leaves it.
func (r *reader) fileName(key string) (string, bool) {
	s, ok := r.expandAs(r.at[key], r.get(key), func(s string) string { return s })
	r.bad[key] = r.bad[key] || !ok
	return s, ok
}

func (r *reader) expandAs(at item, s string, escape func(string) string) (string, bool) {
	var b strings.Builder
	rest := s
	for {
		begin := strings.Index(rest, "${")
		if begin < 0 {
			b.WriteString(rest)
			return b.String(), true
		}
		length := strings.IndexByte(rest[begin:], '}')
		if length < 0 {
			r.say(at, "%s has a ${ without its }", at.name)
			return "", false
		}
		ref := rest[begin+2 : begin+length]
		value, err := r.secret(ref)
		if err != nil {
			r.say(at, "%s refers to ${%s}: %v", at.name, ref, err)
			return "", false
		}
		if len(s) != length+1 {
			value = escape(value)
		}
		b.WriteString(rest[:begin] + value)
		rest = rest[begin+length+1:]
	}
}

func (r *reader) secret(ref string) (string, error) {
	path, isFile := strings.CutPrefix(ref, "file:")
	if !isFile {
		value, ok := r.env[ref]
		if !ok {
			return "", fmt.Errorf("set %s in the environment, or put the secret in a file and write ${file:PATH}", ref)
		}
		return value, nil
	}
	text, err := smallFile(path, maxSecretBytes)
	if err != nil {
		return "", err
	}
	return strings.TrimSuffix(strings.TrimSuffix(string(text), "\n"), "\r"), nil
}

func smallFile(path string, most int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("%w: is the path right, and may this user read it?", cause(err))
	}
	// A pipe or a device could keep us waiting for ever.
	if !info.Mode().IsRegular() || info.Size() > most {
		return nil, fmt.Errorf("want an ordinary file of at most %d bytes", most)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%w: may this user read it?", cause(err))
	}
	return text, nil
}

// escape leaves only what RFC 3986 §2.3 calls unreserved as it is.
func escape(s string) string {
	var b strings.Builder
	for _, c := range []byte(s) {
		switch {
		case 'a' <= c && c <= 'z', 'A' <= c && c <= 'Z', '0' <= c && c <= '9', strings.IndexByte("-._~", c) >= 0:
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	return b.String()
}
