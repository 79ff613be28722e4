package client

import (
	"bufio"
	"crypto/tls"
	"net"
	"net/url"
	"os"
	"slices"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// A buffered connection is read from the system in large pieces. The library
// asks for each packet in four: one byte, the length byte by byte, the rest.
// Unbuffered, each is a system call, and they are most of what a message costs.
type buffered struct {
	net.Conn
	in *bufio.Reader
}

// readBuffer is some fifty messages of an ordinary node, in bytes.
const readBuffer = 16 << 10

func newBuffered(c net.Conn) net.Conn {
	return &buffered{c, bufio.NewReaderSize(c, readBuffer)}
}

func (b *buffered) Read(p []byte) (int, error) { return b.in.Read(p) }

// opensItself says that the library is to open a connection by itself: web
// sockets have a buffer already, and it knows how to find a proxy.
func opensItself(scheme string) bool {
	return scheme == "ws" || scheme == "wss" ||
		slices.ContainsFunc([]string{"all_proxy", "ALL_PROXY"}, func(name string) bool { return os.Getenv(name) != "" })
}

// opener opens connections to a broker.
func opener(secure func() *tls.Config) paho.OpenConnectionFunc {
	return func(broker *url.URL, _ paho.ClientOptions) (net.Conn, error) { return open(broker, secure) }
}

func open(broker *url.URL, secure func() *tls.Config) (net.Conn, error) {
	dialer := &net.Dialer{Timeout: answerWithin}
	switch broker.Scheme {
	case "tls", "ssl", "mqtts":
		c, err := tls.DialWithDialer(dialer, "tcp", broker.Host, secure())
		if err != nil {
			return nil, err
		}
		return newBuffered(c), nil
	}
	c, err := dialer.Dial("tcp", broker.Host)
	if err != nil {
		return nil, err
	}
	return newBuffered(c), nil
}
