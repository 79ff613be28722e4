// Command pictures makes the README's pictures: it starts the demonstration,
// waits for its swarm, and has a browser look. It exists so that they show
// what the program is now, and weigh little.
package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// mostBytes is what a picture may weigh: a README is read on thin lines, too.
const mostBytes = 60 << 10

func main() {
	program := flag.String("outyard", "", "`PROGRAM` whose demo is shown")
	out := flag.String("out", "pictures", "`DIR` for the pictures")
	flag.Parse()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	if err := take(ctx, *program, *out); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func take(ctx context.Context, program, out string) error {
	dir, err := os.MkdirTemp("", "outyard-pictures")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	demo := exec.CommandContext(ctx, program, "demo", "--listen", "127.0.0.1:0", "--data", filepath.Join(dir, "data"))
	says, err := demo.StdoutPipe()
	if err != nil {
		return err
	}
	if err := demo.Start(); err != nil {
		return fmt.Errorf("start the demo: %w", err)
	}
	defer func() {
		stop()
		_ = demo.Wait() // it was stopped
	}()
	at := ""
	for lines := bufio.NewScanner(says); at == "" && lines.Scan(); {
		at = regexp.MustCompile(`http://[0-9.:]+`).FindString(lines.Text())
	}
	if at == "" {
		return errors.New("the demo ended before it opened its pages")
	}
	hive, err := swarm(ctx, at)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	for name, address := range map[string]string{"today.png": at + "/", "hive.png": at + hive} {
		shot, err := look(ctx, dir, address)
		if err != nil {
			return err
		}
		small, err := compress(shot)
		if err != nil {
			return fmt.Errorf("picture of %s: %w", address, err)
		}
		if len(small) > mostBytes {
			return fmt.Errorf("picture %s weighs %d bytes: more than %d", name, len(small), mostBytes)
		}
		if err := os.WriteFile(filepath.Join(out, name), small, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// swarm waits until one has been found, and returns the page of its hive.
func swarm(ctx context.Context, at string) (string, error) {
	again := time.NewTicker(time.Second)
	defer again.Stop()
	for {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, at+"/api/v1/findings?kind=swarm&state=open", nil)
		if err != nil {
			return "", err
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			return "", fmt.Errorf("wait for the demo's swarm: %w", err)
		}
		var list struct{ Items []struct{ Yard, Hive string } }
		err = json.NewDecoder(resp.Body).Decode(&list)
		resp.Body.Close()
		if err != nil {
			return "", fmt.Errorf("wait for the demo's swarm: %w", err)
		}
		if len(list.Items) > 0 {
			return "/yards/" + list.Items[0].Yard + "/hives/" + list.Items[0].Hive, nil
		}
		select {
		case <-ctx.Done():
			return "", fmt.Errorf("wait for the demo's swarm: %w", ctx.Err())
		case <-again.C:
		}
	}
}

// look has the browser take a picture.
func look(ctx context.Context, dir, address string) (image.Image, error) {
	file := filepath.Join(dir, "shot.png")
	browser := exec.CommandContext(ctx, cmp.Or(os.Getenv("CHROMIUM"), "chromium"), "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--hide-scrollbars", "--user-data-dir="+filepath.Join(dir, "profile"),
		"--window-size=1000,860", "--virtual-time-budget=5000", "--screenshot="+file, address)
	if says, err := browser.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("look at %s: %w: %s", address, err, strings.TrimSpace(string(says)))
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("look at %s: %w", address, err)
	}
	return png.Decode(bytes.NewReader(b))
}

// inks is how many colours a picture keeps: a page has a dozen, and the rest
// are the edges of its letters.
const inks = 128

// compress keeps the colours that are used most, and takes the nearest of them
// for each of the others.
func compress(img image.Image) ([]byte, error) {
	count := map[color.RGBA]int{}
	r := img.Bounds()
	at := func(x, y int) color.RGBA { return color.RGBAModel.Convert(img.At(x, y)).(color.RGBA) }
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			count[at(x, y)]++
		}
	}
	used := make([]color.RGBA, 0, len(count))
	for c := range count {
		used = append(used, c)
	}
	slices.SortFunc(used, func(a, b color.RGBA) int {
		return cmp.Or(cmp.Compare(count[b], count[a]), cmp.Compare(a.R, b.R), cmp.Compare(a.G, b.G), cmp.Compare(a.B, b.B))
	})
	var kept color.Palette
	for _, c := range used[:min(len(used), inks)] {
		kept = append(kept, c)
	}
	small := image.NewPaletted(r, kept)
	index := make(map[color.RGBA]uint8, len(count))
	for c := range count {
		index[c] = uint8(kept.Index(c))
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			small.SetColorIndex(x, y, index[at(x, y)])
		}
	}
	var b bytes.Buffer
	err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, small)
	return b.Bytes(), err
}
