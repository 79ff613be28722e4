package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"outyard/configs"
)

// addressFile is where in its data folder a daemon leaves the address of its
// pages, for commands that find the folder in use; and in a second line the
// token by which it knows them, whatever accounts there are. Whoever may read
// the file may read the store beside it, too.
const addressFile = "outyard.address"

// newOwnToken makes the token of this run of the daemon.
func newOwnToken() string { return rand.Text() }

// leaveAddress says where the daemon is to be asked.
func leaveAddress(cfg configs.Config, pages net.Addr, token string) (forget func(), err error) {
	path := filepath.Join(cfg.Data, addressFile)
	if err := os.WriteFile(path, []byte(pagesURL(cfg, pages)+"\n"+token+"\n"), 0o600); err != nil {
		return nil, fmt.Errorf("leave the address of the pages: %w", err)
	}
	return func() { _ = os.Remove(path) }, nil // one that stays is that of a daemon that does not answer
}

// maxAnswerBytes is far more than what a daemon answers to a command.
const maxAnswerBytes = 1 << 20

// askDaemon has the daemon that uses the data folder do a thing, and reads what
// it answers.
func askDaemon(ctx context.Context, cfg configs.Config, method, path string, ask, answer any) error {
	left, err := os.ReadFile(filepath.Join(cfg.Data, addressFile))
	if errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("data folder %s is in use by another command, or by a daemon that has not begun yet: try again once it has", cfg.Data)
	}
	if err != nil {
		return err
	}
	body, err := json.Marshal(ask)
	if err != nil {
		return err
	}
	daemon, token, _ := strings.Cut(strings.TrimSpace(string(left)), "\n")
	req, err := http.NewRequestWithContext(ctx, method, daemon+path, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("address of the daemon in %s: %w", addressFile, err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+token)
	client := http.DefaultClient
	if cfg.TLS.On() {
		client = &http.Client{Transport: &http.Transport{TLSClientConfig: sameCertificate(cfg.TLS), DisableKeepAlives: true}}
	}
	resp, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("the daemon that has the data folder does not answer: %w: stop it, try again, and start it again", err)
	}
	defer resp.Body.Close()
	said, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswerBytes))
	if err != nil {
		return fmt.Errorf("read what the daemon at %s answers: %w", daemon, err)
	}
	if resp.StatusCode/100 != 2 {
		var problem struct{ Detail string }
		if json.Unmarshal(said, &problem) != nil || problem.Detail == "" {
			problem.Detail = resp.Status
		}
		return fmt.Errorf("daemon at %s: %s", daemon, problem.Detail)
	}
	if err := json.Unmarshal(said, answer); err != nil {
		return fmt.Errorf("read what the daemon at %s answers: %w", daemon, err)
	}
	return nil
}
