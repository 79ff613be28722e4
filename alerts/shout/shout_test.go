package shout_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
	"outyard/alerts/shout"
)

func TestAServiceIsTold(t *testing.T) {
	var got string
	status := http.StatusOK
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		got = string(b)
		w.WriteHeader(status)
	}))
	defer srv.Close()
	// The library's form for any program that takes a POST.
	address := "generic://" + strings.TrimPrefix(srv.URL, "http://") + "/t0ken-of-mine?disabletls=yes"
	m := outyard.Message{Subject: "Now: Alder Slip: h03, swarm", Text: "2.4 kg gone.\n"}
	require.NoError(t, shout.Channel{}.Deliver(t.Context(), m, address))
	require.Equal(t, "Now: Alder Slip: h03, swarm\n\n2.4 kg gone.\n", got)

	status = http.StatusInternalServerError
	err := shout.Channel{}.Deliver(t.Context(), m, address)
	require.ErrorContains(t, err, "send by generic: ")
	require.NotContains(t, err.Error(), "t0ken-of-mine")
	require.False(t, alerts.IsPermanent(err), "it is tried again")

	err = shout.Channel{}.Deliver(t.Context(), m, "pushover://shoutrrr:t0ken-of-mine@")
	require.ErrorContains(t, err, "address of pushover: ")
	require.NotContains(t, err.Error(), "t0ken-of-mine")
	require.True(t, alerts.IsPermanent(err))
}
