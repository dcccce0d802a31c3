// Package phantom draws trays of milled rice whose truth is known: test
// objects of known make for the measuring side, for benchmarks and for the
// demo. The usual call is
//
//	img, truth, err := phantom.Draw(phantom.DefaultParams())
//
// The same Params give the same truth and the same bytes with the same version
// of Go and this package on one kind of processor.
//
// # Where the truth comes from
//
// Each piece is a closed polygon in millimetres, about 100 corners round a
// whole kernel. Length (greatest caliper diameter), width (least), area, axis
// extent and centre are taken from that polygon, volume from the solid that
// stands on it; no number comes from a pixel. Where outlines press into each
// other the truth keeps both outlines whole and the picture shows the one on
// top.
//
// # How a kernel is made
//
// Two chains, one for each side, run from tip to tip as power curves with
// exponents of their own for each half. Whole kernels have an oblique notch
// where the germ sat; the axis may be bowed. A piece is a whole kernel cut by
// one or two fracture curves: square, oblique, curved or ragged, now and then
// along the kernel. None of it is meant as a model of one variety; sizes come
// from handbook tables (see Kind).
//
// Sections are ellipses: at width w the solid is κ·w thick, so that a slice
// has area (π/4)·κ·w². A fracture stands upright, and what it cuts off is
// integrated exactly within the section.
//
// # Light
//
// Reflectances are mixed in linear light and encoded as sRGB (IEC 61966-2-1);
// the blur acts on the encoded values, or, with BlurEncoded off, on the light
// as a lens does. Noise is added to the encoded values.
package phantom
