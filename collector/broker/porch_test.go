package broker

import (
	"bytes"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// ended says that the other side has closed the connection, by itself.
func ended(t *testing.T, conn net.Conn) {
	t.Helper()
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(patience)))
	for {
		_, err := conn.Read(make([]byte, 512))
		if err != nil {
			require.NotErrorIs(t, err, os.ErrDeadlineExceeded, "the test's own patience ran out")
			return
		}
	}
}

func knock(t *testing.T, b *Broker, first string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", b.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	_, err = conn.Write([]byte(first))
	require.NoError(t, err)
	return conn
}

func TestWhoeverDoesNotIntroduceHimselfIsSentAway(t *testing.T) {
	for name, first := range map[string]string{
		"half a CONNECT and then silence":              "\x10\x20\x00\x04MQTT\x04",
		"the length of a CONNECT and then silence":     "\x10\xff",
		"a CONNECT that claims 100 kB, and sends none": "\x10\xa0\x8d\x06",
		"a length that has no end":                     "\x10\xff\xff\xff\xff\xff",
		"another packet first":                         "\x30\x05\x00\x03a/bx",
		"a browser":                                    "GET / HTTP/1.1\r\nHost: bees.example\r\n\r\n",
		"TLS to the port of plain text":                "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + strings.Repeat("x", 500),
		"nothing but zeros":                            strings.Repeat("\x00", 1000),
	} {
		t.Run(name, func(t *testing.T) {
			b, _ := start(t, Config{ConnectWithin: 200 * time.Millisecond}, instant{})
			conn := knock(t, b, first)
			w := connect(t, b, 4, node("n1")) // meanwhile
			w.publish(topicH01, "one", 1, 1)
			require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
			ended(t, conn)
		})
	}
}

func TestAThousandHalfConnectsHoldNobodyUp(t *testing.T) {
	b, _ := start(t, Config{ConnectWithin: time.Second}, instant{})
	conns := make([]net.Conn, 1000)
	for i := range conns {
		conns[i] = knock(t, b, "\x10\xff\x7f\x00\x04MQTT\x04")
	}
	w := connect(t, b, 4, node("n1"))
	w.publish(topicH01, "one", 1, 1)
	require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
	for _, c := range conns {
		ended(t, c)
	}
	require.Eventually(t, func() bool { return b.door.held.Load() == 0 }, patience, 10*time.Millisecond, "what they announced is forgotten")
}

// Packets that are announced and do not come take no more room than there is
// for all of them, and what is closed gives its room back.
func TestWhatIsAnnouncedIsBounded(t *testing.T) {
	b, _ := start(t, Config{}, instant{})
	length := func(n int) string { // MQTT 3.1.1 §2.2.3
		var out []byte
		for {
			digit := byte(n % 128)
			if n /= 128; n > 0 {
				out = append(out, digit|0x80)
				continue
			}
			return string(append(out, digit))
		}
	}
	const most = maxHeld / (maxPacket - 100)
	conns := make([]*wire, 0, most+5)
	for range most + 5 {
		w := connect(t, b, 4, packets.ConnectParams{Clean: true})
		_, err := w.conn.Write([]byte("\x32" + length(maxPacket-100)))
		require.NoError(t, err)
		conns = append(conns, w)
	}
	require.Eventually(t, func() bool {
		open := 0
		for _, cl := range b.server.Clients.GetAll() {
			if !cl.Closed() && !cl.Net.Inline {
				open++
			}
		}
		return open <= most && b.door.held.Load() <= maxHeld
	}, patience, 10*time.Millisecond)
	small := connect(t, b, 4, node("small"))
	small.publish(topicH01, "one", 1, 1) // what comes whole needs no room
	require.Equal(t, packets.Puback, small.receive().FixedHeader.Type)
	for _, w := range conns {
		require.NoError(t, w.conn.Close())
	}
	require.Eventually(t, func() bool { return b.door.held.Load() == 0 }, patience, 10*time.Millisecond)
	big := connect(t, b, 4, node("big"))
	big.publish(topicH01, strings.Repeat("x", 900_000), 1, 2)
	require.Equal(t, packets.Puback, big.receive().FixedHeader.Type)
	require.Zero(t, b.door.held.Load(), "a packet that is whole is forgotten")
}

// However a stream of packets is cut into pieces, they are followed alike.
func FuzzFollow(f *testing.F) {
	var stream bytes.Buffer
	connect := packets.Packet{ProtocolVersion: 4, FixedHeader: packets.FixedHeader{Type: packets.Connect},
		Connect: packets.ConnectParams{ProtocolName: []byte("MQTT"), ClientIdentifier: "n1", Clean: true}}
	if err := connect.ConnectEncode(&stream); err != nil {
		f.Fatal(err)
	}
	publish := packets.Packet{ProtocolVersion: 4, FixedHeader: packets.FixedHeader{Type: packets.Publish}, TopicName: topicH01, Payload: bytes.Repeat([]byte("x"), 300)}
	if err := publish.PublishEncode(&stream); err != nil {
		f.Fatal(err)
	}
	f.Add(append(stream.Bytes(), 0xc0, 0), uint8(3))
	f.Add([]byte("\x10\xff\xff\xff\xff"), uint8(1))
	f.Fuzz(func(t *testing.T, stream []byte, size uint8) {
		at := func(pieces int) (rest int64, header int, introduced bool, held int64, wrong error) {
			p := &porch{door: &door{}}
			for s := stream; len(s) > 0 && wrong == nil; {
				n := min(pieces, len(s))
				wrong = p.follow(s[:n])
				s = s[n:]
			}
			held = p.door.held.Load()
			p.letGo()
			if p.door.held.Load() != 0 {
				t.Fatalf("%d bytes are held for ever", p.door.held.Load())
			}
			return p.rest, len(p.header), p.introduced, held, wrong
		}
		rest, header, introduced, _, wrong := at(len(stream) + 1)
		rest2, header2, introduced2, held, wrong2 := at(int(size) + 1)
		if wrong != wrong2 || wrong == nil && (rest != rest2 || header != header2 || introduced != introduced2) {
			t.Fatalf("whole: %d %d %v %v; in pieces of %d: %d %d %v %v", rest, header, introduced, wrong, size, rest2, header2, introduced2, wrong2)
		}
		if held < 0 || held > maxPacket {
			t.Fatalf("%d bytes held for one connection", held)
		}
	})
}
