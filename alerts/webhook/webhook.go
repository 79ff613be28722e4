// Package webhook hands messages to programs over HTTP: signed, for whatever a
// club runs of its own, and in the form of a Prometheus Alertmanager for those
// who have one. It exists beside mail because a program wants the findings and
// not only the words, has to be sure who sent them, and tells by a status
// whether to come again.
package webhook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"outyard"
	"outyard/alerts"
)

// A Channel posts a message as JSON, signed with HMAC-SHA256 after the open
// specification of Standard Webhooks 1.0 (from memory): the header
// webhook-signature is "v1," and the base64 of the hash of
// "ID.TIMESTAMP.BODY", where webhook-id and webhook-timestamp have the first
// two. The id is the same for the same message, so that a receiver knows one
// that comes again; it stands in Idempotency-Key as well.
type Channel struct {
	Client *http.Client     // nil: one that follows nobody elsewhere
	Now    func() time.Time // of the timestamp
}

// A Body is what is posted.
type Body struct {
	Type      string    `json:"type"` // outyard.findings, or outyard.round
	Timestamp time.Time `json:"timestamp"`
	Data      Data      `json:"data"`
}

// Data is what the message tells.
type Data struct {
	Route    string            `json:"route"`
	Subject  string            `json:"subject"`
	Text     string            `json:"text"`
	Findings []outyard.Finding `json:"findings"`
}

// client refuses to be led elsewhere: what is signed for one is not for another.
var client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}

// Deliver posts the message. It returns nil once the receiver has answered
// with a 2xx status.
func (c Channel) Deliver(ctx context.Context, m outyard.Message, address string) error {
	at, secret, err := parse(address, "webhook")
	if err != nil {
		return alerts.Permanent(err)
	}
	if secret == "" {
		return alerts.Permanent(errors.New("webhook has no secret behind a #"))
	}
	now := c.Now()
	body := Body{Type: "outyard.findings", Timestamp: now.UTC().Truncate(time.Second), Data: Data{m.Route, m.Subject, m.Text, m.About}}
	if len(m.About) == 0 {
		body.Type, body.Data.Findings = "outyard.round", []outyard.Finding{}
	}
	text, err := json.Marshal(body)
	if err != nil {
		return alerts.Permanent(fmt.Errorf("webhook at %s: %w", at.Host, err))
	}
	id, stamp := ID(m.Key), strconv.FormatInt(now.Unix(), 10)
	return post(ctx, c.Client, "webhook", at, text, map[string]string{
		"webhook-id": id, "webhook-timestamp": stamp, "webhook-signature": "v1," + Sign(secret, id, stamp, text), "Idempotency-Key": id,
	})
}

// ID is the id of the message with that key.
func ID(key string) string {
	sum := sha256.Sum256([]byte(key))
	return "msg_" + hex.EncodeToString(sum[:16])
}

// Sign is the signature of a body: base64 of HMAC-SHA256. A secret that begins
// with whsec_ is the base64 of the key; any other is the key itself.
func Sign(secret, id, timestamp string, body []byte) string {
	key := []byte(secret)
	if coded, ok := strings.CutPrefix(secret, "whsec_"); ok {
		if b, err := base64.StdEncoding.DecodeString(coded); err == nil {
			key = b
		}
	}
	h := hmac.New(sha256.New, key)
	h.Write([]byte(id + "." + timestamp + "."))
	h.Write(body)
	return base64.StdEncoding.EncodeToString(h.Sum(nil))
}

// parse takes an address such as webhook+https://club.example/bees#secret
// apart. What is behind the # never leaves this machine.
func parse(address, kind string) (at *url.URL, secret string, err error) {
	rest, ok := strings.CutPrefix(address, kind+"+")
	u, err := url.Parse(rest)
	if !ok || err != nil || (u.Scheme != "https" && u.Scheme != "http") || u.Host == "" {
		return nil, "", fmt.Errorf("%s has an address that is none: want %s+https://host/path", kind, kind)
	}
	secret, u.Fragment, u.RawFragment = u.Fragment, "", ""
	return u, secret, nil
}

// post sends a body and reads the status. No error shows more of the address
// than its host.
func post(ctx context.Context, c *http.Client, kind string, at *url.URL, body []byte, headers map[string]string) error {
	if c == nil {
		c = client
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, at.String(), bytes.NewReader(body))
	if err != nil {
		return alerts.Permanent(fmt.Errorf("%s at %s: its address is none", kind, at.Host))
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "outyard")
	for name, value := range headers {
		req.Header.Set(name, value)
	}
	resp, err := c.Do(req)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) {
			err = u.Err // the rest would show the address
		}
		return fmt.Errorf("post to %s at %s: %w", kind, at.Host, err)
	}
	defer resp.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(resp.Body, 200)) // for the words of an error alone
	switch s := resp.StatusCode; {
	case s/100 == 2:
		return nil
	case s/100 == 5, s == http.StatusTooManyRequests, s == http.StatusRequestTimeout:
		return fmt.Errorf("%s at %s answered %s%s", kind, at.Host, resp.Status, quoted(said))
	case s == http.StatusUnauthorized || s == http.StatusForbidden:
		return alerts.Permanent(fmt.Errorf("%s at %s answered %s: check the secret%s", kind, at.Host, resp.Status, quoted(said)))
	default:
		return alerts.Permanent(fmt.Errorf("%s at %s answered %s: check its address%s", kind, at.Host, resp.Status, quoted(said)))
	}
}

func quoted(said []byte) string {
	text := strings.Join(strings.Fields(strings.ToValidUTF8(string(said), "")), " ")
	if text == "" {
		return ""
	}
	return fmt.Sprintf(" (%q)", text)
}
