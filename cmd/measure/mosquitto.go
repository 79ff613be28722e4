package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"time"
)

// beginMosquitto starts the broker of others that stands for all of them, on a
// free port.
func beginMosquitto(ctx context.Context, dir string) (*process, string, error) {
	program, err := mosquittoProgram()
	if err != nil {
		return nil, "", err
	}
	port, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, "", err
	}
	addr := port.Addr().(*net.TCPAddr)
	if err := port.Close(); err != nil {
		return nil, "", err
	}
	// Its defaults send 20 messages ahead of their acks and drop what it
	// queues beyond 1,000.
	config := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence false\nlog_dest stderr\nlog_type error\n"+
		"max_inflight_messages 0\nmax_queued_messages 0\n", addr.Port)
	if err := os.WriteFile(config, []byte(text), 0o644); err != nil {
		return nil, "", err
	}
	p, err := begin(ctx, "mosquitto", nil, program, "-c", config)
	if err != nil {
		return nil, "", err
	}
	for deadline := time.Now().Add(answerWithin); ; {
		conn, err := net.Dial("tcp", addr.String())
		if err == nil {
			return p, addr.String(), conn.Close()
		}
		if time.Now().After(deadline) || ctx.Err() != nil {
			return nil, "", errors.Join(fmt.Errorf("mosquitto does not answer: %w", err), p.stop())
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func mosquittoProgram() (string, error) {
	if program, err := exec.LookPath("mosquitto"); err == nil {
		return program, nil
	}
	for _, program := range []string{"/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto"} { // not in everybody's path
		if _, err := os.Stat(program); err == nil {
			return program, nil
		}
	}
	return "", errors.New("the broker mosquitto is missing: apt-get install mosquitto")
}
