package influx

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
)

// Try asks the server whether it is there and would take readings into the
// bucket, by a write of no points. It says what it saw.
func Try(ctx context.Context, c Config) (saw string, err error) {
	client := influxdb2.NewClientWithOptions(c.URL, c.Token, influxdb2.DefaultOptions().SetHTTPRequestTimeout(uint(requestTimeout/time.Second)))
	defer client.Close()
	at := client.HTTPService().ServerAPIURL() + "write?" + url.Values{"org": {c.Org}, "bucket": {c.Bucket}, "precision": {"s"}}.Encode()
	ask, err := http.NewRequestWithContext(ctx, http.MethodPost, at, strings.NewReader("\n"))
	if err != nil {
		return "", fmt.Errorf("the address is none: want one such as http://127.0.0.1:8086")
	}
	if c.Token != "" {
		ask.Header.Set("Authorization", "Token "+c.Token)
	}
	answer, err := http.DefaultClient.Do(ask)
	if err != nil {
		return "", err
	}
	defer answer.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(answer.Body, 300))
	version := answer.Header.Get("X-Influxdb-Version")
	switch answer.StatusCode {
	case http.StatusNoContent, http.StatusOK, http.StatusBadRequest: // who may not write is told that first
		return strings.TrimSpace("takes writes to bucket " + c.Bucket + " " + version), nil
	case http.StatusUnauthorized, http.StatusForbidden:
		return "", fmt.Errorf("it does not let the token write to bucket %s: %d %s", c.Bucket, answer.StatusCode, strings.TrimSpace(string(text)))
	case http.StatusNotFound:
		return "", fmt.Errorf("it has no bucket %s: make it there, or name another: %s", c.Bucket, strings.TrimSpace(string(text)))
	}
	return "", fmt.Errorf("it answers %d %s", answer.StatusCode, strings.TrimSpace(string(text)))
}
