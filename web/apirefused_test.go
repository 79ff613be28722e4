package web

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestRefusedMessagesAreTriedAgainAndForgottenByPrograms(t *testing.T) {
	o := testOptions()
	known := func(ids []int64) error {
		for _, id := range ids {
			if id > 200 {
				return fmt.Errorf("%d: %w", id, ErrNotRefused)
			}
		}
		return nil
	}
	o.Retry = func(_ context.Context, ids []int64) (int, []outyard.Refused, error) {
		if ids == nil {
			many := make([]outyard.Refused, 150)
			for i := range many {
				many[i] = outyard.Refused{ID: int64(i + 1), Reason: "no JSON"}
			}
			return 7, many, nil
		}
		return len(ids), nil, known(ids)
	}
	o.Forget = func(_ context.Context, ids []int64) (int, error) { return len(ids), known(ids) }
	db := seed(t)
	srv, _ := visit(t, db, o)
	bare, _ := visit(t, db, testOptions())
	tests := []struct {
		name, base, path, body string
		status                 int
		says                   string
	}{
		{"those that are named", srv.URL, "retry", `{"ids":[3,4]}`, 200, `{"kept":2,"still_refused":0,"reasons":[]}`},
		{"all of them, and the first reasons", srv.URL, "retry", "", 200, `{"kept":7,"still_refused":150,"reasons":[{"id":1,"reason":"no JSON"},`},
		{"an empty object means all, too", srv.URL, "retry", "{}", 200, `{"kept":7,`},
		{"one that is not there", srv.URL, "retry", `{"ids":[201]}`, 404, "201: no refused message has that ID"},
		{"none is a mistake, and not all", srv.URL, "retry", `{"ids":[]}`, 400, "leave it out for all"},
		{"a word is no id", srv.URL, "retry", `{"ids":["all"]}`, 400, "IDs of messages"},
		{"thrown away", srv.URL, "forget", `{"ids":[3,4,5]}`, 200, `{"forgot":3}`},
		{"a typing error throws nothing away", srv.URL, "forget", `{"id":[3]}`, 400, "IDs of messages"},
		{"nor does one that is not there", srv.URL, "forget", `{"ids":[201]}`, 404, "201: no refused message has that ID"},
		{"where it is not wired it is not offered", bare.URL, "retry", "", 501, "cannot be tried again"},
		{"nor is forgetting", bare.URL, "forget", "", 501, "cannot be thrown away"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			resp, err := http.Post(tt.base+"/api/v1/refused/"+tt.path, "application/json", strings.NewReader(tt.body))
			require.NoError(t, err)
			defer resp.Body.Close()
			var b strings.Builder
			_, err = copyTo(&b, resp)
			require.NoError(t, err)
			require.Equal(t, tt.status, resp.StatusCode, b.String())
			require.Contains(t, b.String(), tt.says)
			require.LessOrEqual(t, strings.Count(b.String(), "no JSON"), mostReasons)
		})
	}
}
