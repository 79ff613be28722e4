package broker

import (
	"bufio"
	"crypto/tls"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// secure is a config of TLS with a certificate that only tests know.
func secure(t *testing.T) *tls.Config {
	t.Helper()
	srv := httptest.NewTLSServer(nil) // for its certificate
	defer srv.Close()
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: srv.TLS.Certificates}
}

func connectTLS(t *testing.T, b *Broker, who packets.ConnectParams) *wire {
	t.Helper()
	conn, err := tls.Dial("tcp", b.Addr().String(), &tls.Config{InsecureSkipVerify: true}) // the name is not what is tested
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	w := &wire{t: t, conn: conn, in: bufio.NewReader(conn), version: 4}
	who.ProtocolName, who.Keepalive = []byte("MQTT"), 60
	w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, Connect: who})
	require.Equal(t, packets.CodeSuccess.Code, w.receive().ReasonCode)
	return w
}

func TestOverTLSASlowHandshakeIsCutOff(t *testing.T) {
	b, _ := start(t, Config{TLS: secure(t), ConnectWithin: 200 * time.Millisecond}, instant{})
	for name, first := range map[string]string{
		"silence":                             "",
		"half a greeting and then silence":    "\x16\x03\x01\x02\x00\x01",
		"plain text":                          "\x10\x0e\x00\x04MQTT\x04\x02\x00\x3c\x00\x02n1",
		"a greeting of the largest size, cut": "\x16\x03\x01\x3f\xff\x01\x00\x3f\xfb" + strings.Repeat("x", 1000),
	} {
		t.Run(name, func(t *testing.T) { ended(t, knock(t, b, first)) })
	}
	w := connectTLS(t, b, node("n1"))
	w.publish(topicH01, strings.Repeat("x", 200_000), 1, 1)
	require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
}

func TestOverTLSASubscriberThatDoesNotReadHoldsNobodyUp(t *testing.T) {
	b, stop := start(t, Config{TLS: secure(t), MaxPending: 64, WriteWithin: time.Second}, instant{})
	stuck := connectTLS(t, b, node("stuck"))
	stuck.subscribe("#", 1) // and reads no more
	w := connectTLS(t, b, node("n1"))
	payload := strings.Repeat("x", 100_000)
	for i := range 300 { // 30 MB, more than the sockets hold
		w.publish(topicH01, payload, 1, uint16(i+1))
		require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
	}
	require.Eventually(t, func() bool { // it is cut off in the end
		cl, ok := b.server.Clients.Get(":stuck")
		return !ok || cl.Closed()
	}, patience, 10*time.Millisecond)

	again := connectTLS(t, b, node("stuck")) // reads nothing, and is closed by a stop, which has to say goodbye
	again.subscribe("#", 1)
	for i := range 30 {
		w.publish(topicH01, payload, 1, uint16(i+1))
		require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
	}
	stop()
}
