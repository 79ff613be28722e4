package main

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"

	"outyard/configs"
	"outyard/web"
)

const (
	// linkKeyFile holds, beside the store, the key of the links in messages.
	// Without it those that are out do nothing more, and new ones are made.
	linkKeyFile  = "link.key"
	linkKeyBytes = 32
)

// linkKey reads the key of the links in messages, and makes it the first time.
func linkKey(data string) ([]byte, error) {
	path := filepath.Join(data, linkKeyFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		key := make([]byte, linkKeyBytes)
		_, _ = rand.Read(key) // it never fails: crypto/rand ends the program first
		if err := os.WriteFile(path, []byte(hex.EncodeToString(key)+"\n"), 0o600); err != nil {
			return nil, fmt.Errorf("write the key of links: %w", err)
		}
		return key, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the key of links: %w", err)
	}
	key, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(key) != linkKeyBytes {
		return nil, fmt.Errorf("%s is not a key of links: take it away, and a new one is made; links in messages that are out do nothing then", path)
	}
	return key, nil
}

// pagesAddress is where the pages are reached from a message: where the config
// says, or else where they listen, if that is this machine alone.
func pagesAddress(cfg configs.Config, at net.Addr) string {
	switch {
	case cfg.PagesAt != "":
		return cfg.PagesAt
	case web.IsLoopback(at):
		return pagesURL(cfg, at)
	}
	return ""
}
