package chart

import "image/color"

// A Look is the colours of a picture. Each ink has at least 4.5 to 1 on its
// paper where it is text, 3 to 1 where it is a line (WCAG 2.2, 1.4.3 and
// 1.4.11); the test computes it.
type Look struct {
	Paper  color.NRGBA
	Ink    color.NRGBA // text
	Faint  color.NRGBA // the grid, which need not be seen to read the chart
	Line   color.NRGBA // the main line
	Second color.NRGBA // dashed
	Third  color.NRGBA // dotted
	Band   color.NRGBA // between least and most
	Gain   color.NRGBA
	Loss   color.NRGBA // outlined besides
	Urgent color.NRGBA
	Soon   color.NRGBA
	Quiet  color.NRGBA
}

// Light is ink on the pale green of weatherproof note paper.
var Light = Look{
	Paper:  rgb(0xfbfcf8),
	Ink:    rgb(0x43524c),
	Faint:  rgb(0xdde5dd),
	Line:   rgb(0x14594a),
	Second: rgb(0x9a5b00),
	Third:  rgb(0x35558c),
	Band:   color.NRGBA{0x14, 0x59, 0x4a, 0x2b},
	Gain:   rgb(0xb07a12),
	Loss:   rgb(0x5d6f86),
	Urgent: rgb(0xa8242c),
	Soon:   rgb(0x8a5200),
	Quiet:  rgb(0x55655f),
}

// Dark is the same notebook by a red-shaded torch.
var Dark = Look{
	Paper:  rgb(0x18211e),
	Ink:    rgb(0xb9c7c0),
	Faint:  rgb(0x2c3834),
	Line:   rgb(0x7fd1b5),
	Second: rgb(0xe9b25c),
	Third:  rgb(0x9dbbf0),
	Band:   color.NRGBA{0x7f, 0xd1, 0xb5, 0x30},
	Gain:   rgb(0xd9a441),
	Loss:   rgb(0x8fa3bd),
	Urgent: rgb(0xff8d8a),
	Soon:   rgb(0xf0b45e),
	Quiet:  rgb(0x9fb0a8),
}

func rgb(hex uint32) color.NRGBA {
	return color.NRGBA{uint8(hex >> 16), uint8(hex >> 8), uint8(hex), 0xff}
}
