package configs

import (
	"fmt"
	"io"
	"net/url"
)

const hidden = "<secret>"

// A Secret is a value that must not be shown: however it is printed, logged or
// marshalled, it reads <secret>.
type Secret string

// Reveal returns the value itself, for the one place that uses it.
func (s Secret) Reveal() string { return string(s) }

// Place returns what may be shown of an address: scheme and host. It is
// <secret> for what is no address, and empty for an empty secret.
func (s Secret) Place() string {
	if s == "" {
		return ""
	}
	u, err := url.Parse(string(s))
	if err != nil || u.Scheme == "" {
		return hidden
	}
	return u.Scheme + "://" + u.Host
}

func (s Secret) String() string { return hidden }

// Format makes every verb of fmt, %d and %#v among them, print <secret>.
func (s Secret) Format(f fmt.State, _ rune) { io.WriteString(f, hidden) }

// MarshalText hides the value in JSON and in logs.
func (s Secret) MarshalText() ([]byte, error) { return []byte(hidden), nil }

// MarshalYAML hides the value in YAML.
func (s Secret) MarshalYAML() (any, error) { return hidden, nil }
