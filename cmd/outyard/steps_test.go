package main

import (
	"crypto/x509"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard/configs"
	"outyard/web"
)

func TestTheDoorOfAnothersBroker(t *testing.T) {
	for name, c := range map[string]struct {
		mqtt configs.MQTT
		at   string
		door web.Door
	}{
		"plain":     {configs.MQTT{Broker: "tcp://broker.example"}, "broker.example:1883", web.Door{Elsewhere: true}},
		"encrypted": {configs.MQTT{Broker: "tls://u:p@broker.example"}, "broker.example:8883", web.Door{Elsewhere: true, Trust: "--tls-use-os-certs"}},
		"signed by somebody we are told": {configs.MQTT{Broker: "ssl://192.0.2.7:18883", BrokerTLS: configs.ClientTLS{CA: "/etc/outyard/club.pem", ServerName: "bees.example"}},
			"192.0.2.7:18883", web.Door{Elsewhere: true, Trust: "--cafile /etc/outyard/club.pem", Host: "bees.example"}},
		"in web sockets":           {configs.MQTT{Broker: "ws://broker.example/mqtt"}, "broker.example:80", web.Door{Elsewhere: true, WebSockets: true}},
		"in encrypted web sockets": {configs.MQTT{Broker: "wss://broker.example/mqtt"}, "broker.example:443", web.Door{Elsewhere: true, WebSockets: true, Trust: "--tls-use-os-certs"}},
	} {
		t.Run(name, func(t *testing.T) {
			at, door := doorOf(configs.Config{MQTT: c.mqtt}, nil)
			require.Equal(t, c.at, at)
			require.Equal(t, c.door, door)
		})
	}
}

func TestTheNameThatACertificateIsFor(t *testing.T) {
	dir := t.TempDir()
	ca := newAuthority(t, dir, "own-ca")
	for name, c := range map[string]struct {
		names []string
		host  string
	}{
		"none, for an address":        {nil, ""},
		"one":                         {[]string{"bees.example"}, "bees.example"},
		"the one that is no pattern":  {[]string{"*.bees.example", "bees.example"}, "bees.example"},
		"a pattern, to be filled out": {[]string{"*.bees.example"}, "NAME.bees.example"},
	} {
		t.Run(name, func(t *testing.T) {
			cert, _ := ca.sign(t.TempDir(), "server", 1, func(cert *x509.Certificate) { cert.DNSNames = c.names })
			host, _, signer := trustOf(cert)
			require.Equal(t, c.host, host)
			require.True(t, signer)
		})
	}
}

func TestCommandsAreRunAsTheDaemon(t *testing.T) {
	require.Empty(t, runsAs("outyard.yaml", 1000), "a newcomer's own")
	require.Empty(t, runsAs(configs.SystemFile, 0), "root's")
	require.Empty(t, runsAs(configs.SystemFile, -1), "where there are no users")
	require.Equal(t, "#123456789", runsAs(configs.SystemFile, 123456789))
}
