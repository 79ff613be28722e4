// Package simulator invents yards, their weather, their colonies and the
// keeper's work, and says what really happened, so that the rest of the
// program has seasons to be tried on whose truth is known.
//
// Its physics are its own and nothing of the analyses is used here, so that an
// analysis is never tested on itself. The same seed and options give the same
// bytes. The district is made up: an island coast near 48.8° north, wet and
// mild, with a tree flow at the end of winter, a bramble flow in summer, a
// dearth after it, and rain from October to March.
package simulator
