package chart

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPathsAreTerse(t *testing.T) {
	tests := []struct{ name, path, want string }{
		{"a line goes by its steps", "M46,39.645L1106,39.645", "M46,39.6l1060,0"},
		{"what goes back has a minus, which parts as well", "M10,20L9.5,18.25", "M10,20l-.5-1.7"},
		{"many small steps do not drift", "M0,0L0.04,0L0.08,0L0.12,0", "M0,0l0,0l.1,0l0,0"},
		{"a closed shape stays closed", "M1,1L2,1L2,2Z", "M1,1l1,0l0,1Z"},
		{"after a close the next begins by its place", "M1,1L2,2ZM5,5L6,6", "M1,1l1,1ZM5,5l1,1"},
		{"after a close the pen is where it began", "M1,1L2,1L2,2ZL0,0", "M1,1l1,0l0,1Zl-1-1"},
		{"a curve is left as it is", "M1,1A2,2 0 1 1 3,3", "M1,1A2,2 0 1 1 3,3"},
		{"nonsense is left as it is", "Mx,yL1,1", "Mx,yL1,1"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, `<path d="`+tt.want+`" fill="none"/>`, string(terse([]byte(`<path d="`+tt.path+`" fill="none"/>`))))
		})
	}
}
