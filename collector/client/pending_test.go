package client

import (
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
)

func TestPendingIsApartFromWhatIsOnItsWay(t *testing.T) {
	s := newPending()
	s.Open()
	defer s.Close()
	sent := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	sent.Qos, sent.Retain, sent.MessageID = 1, true, 7
	sent.TopicName, sent.Payload = "outyard/state", []byte("up")
	s.Put("o.7", sent)

	again := s.Get("o.7").(*packets.PublishPacket)
	require.Equal(t, sent, again)
	again.Dup = true
	require.False(t, sent.Dup, "on its way")
	require.False(t, s.Get("o.7").(*packets.PublishPacket).Dup, "for the time after the next")
	require.Nil(t, s.Get("o.8"))
	require.Equal(t, []string{"o.7"}, s.All())
}
