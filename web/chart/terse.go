package chart

import (
	"bytes"
	"math"
	"strconv"
)

// terse writes lines by their steps in tenths of a pixel, where the library
// wrote positions to five figures: the eye sees no difference, and a phone at
// the end of a thin line loads half.
func terse(svg []byte) []byte {
	out := make([]byte, 0, len(svg))
	for {
		before, rest, found := bytes.Cut(svg, []byte(` d="`))
		out = append(out, before...)
		if !found {
			return out
		}
		path, after, closed := bytes.Cut(rest, []byte(`"`))
		out = append(out, ` d="`...)
		if steps, ok := stepsOf(path); ok {
			out = append(out, steps...)
		} else {
			out = append(out, path...)
		}
		if !closed {
			return out
		}
		out = append(out, '"')
		svg = after
	}
}

// stepsOf rewrites a path of straight lines; false for any other.
func stepsOf(path []byte) ([]byte, bool) {
	var out []byte
	var x, y int   // where the pen is, in tenths of a pixel: whole numbers do not drift
	var x0, y0 int // and where a close takes it back to
	for len(path) > 0 {
		verb := path[0]
		end := bytes.IndexAny(path[1:], "MLZAQC")
		if end < 0 {
			end = len(path) - 1
		}
		args := path[1 : 1+end]
		path = path[1+end:]
		switch verb {
		case 'Z':
			out = append(out, 'Z')
			x, y = x0, y0
		case 'M', 'L':
			ax, ay, ok := bytes.Cut(args, []byte(","))
			nx, errX := strconv.ParseFloat(string(ax), 64)
			ny, errY := strconv.ParseFloat(string(ay), 64)
			if !ok || errX != nil || errY != nil {
				return nil, false
			}
			tx, ty := int(math.Round(nx*10)), int(math.Round(ny*10))
			if verb == 'M' {
				out = append(append(out, 'M'), pair(tx, ty)...)
				x0, y0 = tx, ty
			} else {
				out = append(append(out, 'l'), pair(tx-x, ty-y)...)
			}
			x, y = tx, ty
		default:
			return nil, false
		}
	}
	return out, true
}

func pair(x, y int) []byte {
	out := tenths(nil, x)
	if y >= 0 {
		out = append(out, ',') // a minus parts two numbers as well
	}
	return tenths(out, y)
}

// tenths writes v/10 without a needless zero.
func tenths(out []byte, v int) []byte {
	if v < 0 {
		out, v = append(out, '-'), -v
	}
	whole, part := v/10, v%10
	if whole > 0 || part == 0 {
		out = strconv.AppendInt(out, int64(whole), 10)
	}
	if part > 0 {
		out = append(out, '.', byte('0'+part))
	}
	return out
}
