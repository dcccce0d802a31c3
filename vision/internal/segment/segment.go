// Package segment finds the pieces that lie on a tray. A trained network tells
// rice from everything else in a working picture, in which kernels are about
// twelve pixels wide, and takes touching pieces apart; their outlines are then
// traced at the picture's full resolution, at half height between the ground
// beside a piece and its rim. It works on plain pixel bytes.
package segment

import (
	"context"
	"errors"
	"math"
	"slices"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/parallel"
	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
)

var errNetwork = errors.New("the network's maps are not as expected")

// A Picture is the pixels to work on.
type Picture struct {
	pixel.Pixels
	// Gain is what grey values were multiplied with since they were compressed,
	// where that is more than 1.
	Gain float64
}

// least is the least contrast that is measured: ten grey values, as
// compressed, keep compression noise out.
func (p Picture) least() float64 { return 10 * math.Max(1, p.Gain) }

// A Piece is one thing found on the tray.
type Piece struct {
	Outline []Point // closed, positive geom.Area
	Cut     []bool  // per vertex: lies on a dividing line; nil for a free-lying piece
	Area    float64 // px², of the outline
	Faces   int     // number of dividing lines
	Corners []Point // corners of the outline, as fractures leave them
	Edge    bool    // the picture's edge cuts through it

	Colour   [3]float64 // mean, blue, green, red
	Contrast float64    // distance of its colour from the ground's, grey values
	// What the network tells, as means over the piece, 0 … 1: that it is no rice,
	// and that another lies over it there.
	Foreign, Covered float64

	// Before the blur was taken off:
	cal  geom.Calipers
	hull float64 // area of the convex hull, px²
}

// A Model is the size of the sample's own whole kernels, in pixels.
type Model struct {
	Length, Width, Area float64
}

// A Result is what lies on a tray.
type Result struct {
	Pieces     []Piece          // from the top; Edge ones included
	Unresolved []Piece          // what was not told apart with confidence
	Heaps      []kernel.Cluster // rice in several layers, in which no pieces were found
	Objects    []kernel.Cluster // set aside whole
	Small      int              // specks below the least measurable size
	Model      Model

	TrayMean  [3]float64 // blue, green, red
	TraySigma float64
	Contrast  float64 // median level of the pieces above the tray, grey values
	BlurSigma float64 // standard deviation of the picture's blur, px
}

// minPieceArea is the smallest region kept at all, in pixels: under it no
// caliper means anything.
const minPieceArea = 16

// wideShare: pieces wider than this part of the picture's short side are no
// kernels of a sample.
const wideShare = 8

// TooWide reports whether what lies on the tray is too wide for kernels in a
// picture with so short a side, px.
func (r *Result) TooWide(side int) bool { return r.Model.Width > float64(side)/wideShare }

// Find locates the pieces on a tray.
func Find(ctx context.Context, p Picture) (*Result, error) {
	m, b, err := survey(ctx, p)
	if err != nil {
		return nil, err
	}
	m.dist, m.border, m.foreign, m.covered, m.dx, m.dy = nil, nil, nil, nil, nil, nil // told by the blobs
	ground, err := groundOf(ctx, p, m)
	if err != nil {
		return nil, err
	}
	res := &Result{TrayMean: ground.mean, TraySigma: ground.sigma}
	res.Objects = m.things()
	trace := outlines(ctx, p, m, b, ground)
	// How blurred the picture is, is told by the climb from the ground to a level
	// well inside; the rim's own level then lies just inside its blurred edge.
	_, _, climbs := trace(blurReach*b.width*m.sx, 1+len(b.all)/blurPieces)
	if len(climbs) > 0 {
		res.BlurSigma = blurOf(pixel.Median(climbs))
	}
	pieces, found, _ := trace(rimReach*res.BlurSigma, 1)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	slack := math.Max(1.1, 0.5*m.sx)
	if err := parallel.Each(ctx, len(pieces), func(_, i int) {
		if found[i] {
			pieces[i].straighten(res.BlurSigma, slack)
			hull := geom.Hull(pieces[i].Outline)
			pieces[i].cal, pieces[i].hull = geom.Caliper(hull), geom.Area(hull)
		}
	}); err != nil {
		return nil, err
	}
	for i := range pieces {
		if found[i] {
			res.Pieces = append(res.Pieces, pieces[i])
		} else {
			res.Small++
		}
	}
	res.Model = modelOf(res.Pieces)
	res.Pieces = slices.DeleteFunc(res.Pieces, func(q Piece) bool {
		several := !q.Edge && q.several(res.Model)
		if several {
			res.Unresolved = append(res.Unresolved, q)
		}
		return several
	})
	if rice, ok := colourOf(res.Pieces); ok {
		res.Heaps = m.heaps(b, rice, ground.mean, heapKernels*res.Model.Area/(m.sx*m.sy))
	}
	var level []float64
	for _, q := range res.Pieces {
		level = append(level, q.Contrast)
	}
	res.Contrast = pixel.Median(level)
	return res, parallel.Each(ctx, len(res.Pieces), func(_, i int) { res.Pieces[i].sharpen(res.BlurSigma) })
}

const (
	// blurReach is how far from its edge a kernel shows its own level, in widths.
	blurReach = 0.25
	// blurPieces is about how many pieces the blur is taken from.
	blurPieces = 150
	// rimReach is where the rim's level is taken, in standard deviations of the
	// picture's blur: beyond two the edge climbs by no more than a fortieth.
	rimReach = 2.5
)

// outlines returns what traces every stride-th piece, with the level of its rim
// taken within reach px, and tells which were found and how steep edges are.
func outlines(ctx context.Context, p Picture, m *maps, b *blobs, g *ground) func(reach float64, stride int) ([]Piece, []bool, []float64) {
	workers := make([]*outliner, parallel.Workers())
	for i := range workers {
		workers[i] = &outliner{p: p, m: m, b: b, ground: g}
	}
	return func(reach float64, stride int) ([]Piece, []bool, []float64) {
		n := len(b.all)
		pieces, found, climbs := make([]Piece, n), make([]bool, n), make([]float64, n)
		parallel.Each(ctx, (n+stride-1)/stride, func(w, k int) {
			o, i := workers[w], k*stride
			o.reach = min(max(3, int(reach+0.5)), 24)
			if pieces[i], found[i] = o.piece(i); !found[i] {
				return
			}
			if mean, n := o.steps(&pieces[i]); n >= 6 {
				climbs[i] = mean
			}
		})
		return pieces, found, slices.DeleteFunc(climbs, func(c float64) bool { return c == 0 })
	}
}

// What is no one kernel by its shape, in the sample's own usual kernels. Of
// 6,800 pieces on drawn photos, trays and real photographs 15 are so: twelve
// are two kernels in one, three are partly hidden.
const (
	raggedSolid = 0.86 // area over hull
	raggedArea  = 0.6
	wideWidth   = 1.45 // paddy reaches 1.35
	wideArea    = 1.1
	wideSolid   = 0.98 // a pebble is one clean body
)

// several reports whether a piece must be more than one kernel, so that its
// measures say nothing.
func (q *Piece) several(m Model) bool {
	if m.Area == 0 {
		return false
	}
	solid := q.Area / q.hull
	return solid < raggedSolid && q.Area > raggedArea*m.Area ||
		solid < wideSolid && q.cal.Min > wideWidth*m.Width && q.Area > wideArea*m.Area
}

// colourOf is the usual colour of pieces, channel by channel; ok is false
// where there are none.
func colourOf(pieces []Piece) (c [3]float64, ok bool) {
	for k := range c {
		var v []float64
		for _, q := range pieces {
			v = append(v, q.Colour[k])
		}
		c[k] = pixel.Median(v)
	}
	return c, len(pieces) > 0
}

// modelOf takes the size of the whole kernels from pieces, whole and broken:
// the mode of the lengths above the middle.
func modelOf(pieces []Piece) Model {
	var ls, ws []float64
	for _, q := range pieces {
		if !q.Edge && q.Foreign < 0.5 && q.Covered < 0.1 {
			ls, ws = append(ls, q.cal.Max), append(ws, q.cal.Min)
		}
	}
	if len(ls) == 0 {
		return Model{}
	}
	w := pixel.Median(ws)
	l := upperMode(ls)
	var wl []float64
	for i := range ls {
		if math.Abs(ls[i]/l-1) < 0.12 {
			wl = append(wl, ws[i])
		}
	}
	if len(wl) >= 3 { // one may be a sliver
		w = pixel.Median(wl)
	}
	return Model{Length: l, Width: w, Area: 0.81 * l * w}
}

// upperMode returns the middle of the fullest window of ±6 % among the values,
// counting a value's share of length, so that the longer of two equal heaps
// wins. Where no window holds five values it takes the upper decile.
func upperMode(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	best, at, lo := 0.0, s[(9*len(s)-1)/10], 0
	hi := 0
	for _, x := range s {
		for s[lo] < x*0.94 {
			lo++
		}
		for hi < len(s) && s[hi] <= x*1.06 {
			hi++
		}
		if f := float64(hi-lo) * x; hi-lo >= 5 && f > best {
			best, at = f, s[(lo+hi)/2]
		}
	}
	return at
}
