package segment

import (
	"context"
	"crypto/sha256"
	_ "embed"
	"fmt"
	"math"
	"sync"

	"traytally/vision/internal/cv"
	"traytally/vision/internal/network"
	"traytally/vision/internal/shrink"
)

// weights is the trained network, in ONNX. vision/train makes it, and says on
// what it was trained and tested.
//
//go:embed rice.onnx
var weights []byte

// net is the network, made once.
var net = sync.OnceValues(func() (*network.Net, error) {
	n, err := network.New(weights)
	if err == nil && n.Maps() != mapCount {
		err = errNetwork
	}
	return n, err
})

// Ready makes the network, so that it is there once a picture is decoded.
func Ready() { net() }

// WeightsSHA256 returns the SHA-256 of the network, in hexadecimal.
var WeightsSHA256 = sync.OnceValue(func() string { return fmt.Sprintf("%x", sha256.Sum256(weights)) })

// kernelWidth is how wide kernels are, in pixels, in the picture that the
// network sees. It is trained on 8 to 22.
const kernelWidth = 12

// The maps of the network, in its order.
const (
	mapBody    = iota // a piece of rice, or a foreign body as large
	mapDist           // distance to the piece's edge, as a share of its greatest
	mapBorder         // between two pieces in contact
	mapX              // to the middle of the piece, in netOffset px
	mapY              //
	mapForeign        // the body is no rice
	mapObject         // a thing to be set aside whole, or print
	mapCovered        // of a lower piece, where another lies over it
	mapCount
)

const netOffset = 8

// maps are what the network tells of each pixel of a working picture. Chances
// are 0 … 255 for 0 … 1.
type maps struct {
	w, h   int
	sx, sy float64 // pixels of the picture per pixel here
	pix    []byte  // the working picture, BGR

	body, dist, border, foreign, object, covered []uint8
	dx, dy                                       []int8 // to the middle of the piece, half px
}

// at returns where the middle of pixel (x, y) lies in the picture.
func (m *maps) at(x, y float64) Point { return Point{X: (x+0.5)*m.sx - 0.5, Y: (y+0.5)*m.sy - 0.5} }

// chance is 255/(1+exp(-v)) for v in steps of 1/32 from -8 on.
var chance = func() (t [513]uint8) {
	for i := range t {
		t[i] = uint8(255/(1+math.Exp(-(float64(i)/32-8))) + 0.5)
	}
	return t
}()

func chanceOf(logit float32) uint8 {
	return chance[int(min(max(logit, -8), 8)*32+256.5)]
}

// look shows the picture to the network, with scale pixels of it to one of the
// working picture.
func look(ctx context.Context, p Picture, scale float64) (*maps, error) {
	w, h := max(1, int(math.Round(float64(p.W)/scale))), max(1, int(math.Round(float64(p.H)/scale)))
	var pix []byte
	var err error
	if w <= p.W && h <= p.H {
		pix, err = shrink.Area(ctx, p.Pix, p.W, p.H, w, h)
	} else {
		pix, err = cv.Enlarge(p.Pix, p.W, p.H, w, h)
	}
	if err != nil {
		return nil, err
	}
	m := &maps{w: w, h: h, sx: float64(p.W) / float64(w), sy: float64(p.H) / float64(h), pix: pix}
	n := w * h
	for _, a := range []*[]uint8{&m.body, &m.dist, &m.border, &m.foreign, &m.object, &m.covered} {
		*a = make([]uint8, n)
	}
	m.dx, m.dy = make([]int8, n), make([]int8, n)

	trained, err := net()
	if err != nil {
		return nil, err
	}
	if w > network.MaxWidth {
		return nil, ErrFine
	}
	x0, y0, x1, y1 := m.inside()
	if x0 == x1 {
		return m, nil
	}
	seen := network.Picture{Pix: m.pix[3*(y0*w+x0):], W: x1 - x0, H: y1 - y0, Stride: 3 * w}
	width := trained.Width(seen.W)
	return m, trained.Run(ctx, seen, func(_, y int, out []float32) {
		for r := range min(4, seen.H-y) {
			m.row(y0+y+r, x0, x1, func(k int) []float32 { return out[(4*k+r)*width:] })
		}
	})
}

// row fills the maps in row y, columns fromX to toX, from what the network gives
// there.
func (m *maps) row(y, fromX, toX int, of func(k int) []float32) {
	at, n := y*m.w+fromX, toX-fromX
	chances := func(to []uint8, k int) {
		for x, v := range of(k)[:n] {
			to[at+x] = chanceOf(v)
		}
	}
	chances(m.body, mapBody)
	chances(m.object, mapObject)
	dist, border, foreign, covered := of(mapDist), of(mapBorder), of(mapForeign), of(mapCovered)
	dx, dy := of(mapX), of(mapY)
	for x, b := range m.body[at : at+n] {
		if b < 4 { // the rest says something of a body only
			continue
		}
		o := at + x
		m.dist[o], m.border[o] = chanceOf(dist[x]), chanceOf(border[x])
		m.dx[o], m.dy[o] = halves(dx[x]), halves(dy[x])
		m.foreign[o], m.covered[o] = chanceOf(foreign[x]), chanceOf(covered[x])
	}
}

// halves brings an offset of the network to half pixels.
func halves(v float32) int8 { return int8(min(max(v*2*netOffset, -127), 127)) }

// bareRange is the range of grey values, in each channel, up to which a strip along
// a side of the working picture is bare ground: kernels of ten grey values more
// would be the least that is measured.
const bareRange = 10

// bareStrip is the width of the strips, px: what the network halves down to one
// pixel, so that it sees a part as it sees the whole.
const bareStrip = 32

// inside returns the picture less the bare strips along its sides, but the last of
// each; nothing where all is bare.
func (m *maps) inside() (x0, y0, x1, y1 int) {
	x1, y1 = m.w, m.h
	for y0 < y1 && m.bare(x0, y0, x1, min(y0+bareStrip, y1)) {
		y0 += bareStrip
	}
	if y0 >= y1 {
		return 0, 0, 0, 0
	}
	for y1-bareStrip > y0 && m.bare(x0, y1-bareStrip, x1, y1) {
		y1 -= bareStrip
	}
	for x0+bareStrip < x1 && m.bare(x0, y0, x0+bareStrip, y1) {
		x0 += bareStrip
	}
	for x1-bareStrip > x0 && m.bare(x1-bareStrip, y0, x1, y1) {
		x1 -= bareStrip
	}
	return max(0, x0-bareStrip), max(0, y0-bareStrip), min(x1+bareStrip, m.w), min(y1+bareStrip, m.h)
}

// bare reports whether nothing lies in the rectangle, as far as it is in the picture.
func (m *maps) bare(x0, y0, x1, y1 int) bool {
	x0, y0, x1, y1 = max(0, x0), max(0, y0), min(m.w, x1), min(m.h, y1)
	low, high := [3]byte{255, 255, 255}, [3]byte{}
	for y := y0; y < y1; y++ {
		row := m.pix[3*(y*m.w+x0) : 3*(y*m.w+x1)]
		for i := 0; i < len(row); i += 3 {
			for k := range 3 {
				low[k], high[k] = min(low[k], row[i+k]), max(high[k], row[i+k])
			}
		}
		if int(high[0])-int(low[0]) > bareRange || int(high[1])-int(low[1]) > bareRange || int(high[2])-int(low[2]) > bareRange {
			return false
		}
	}
	return true
}
