package card

import (
	"fmt"
	"math"
	"math/bits"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/vision/internal/pixel"
)

// Whatever way two marks are turned or mirrored, six sectors or more tell them
// apart, so that one damaged sector is mended and two make no other mark.
func TestWordsLieApart(t *testing.T) {
	least := func(a, b uint32, same bool) int {
		d := Sectors
		for by := range Sectors {
			if same && by == 0 {
				continue
			}
			d = min(d, bits.OnesCount32(a^turned(b, by)))
		}
		return d
	}
	for i, a := range words {
		for j, b := range words[i:] {
			assert.GreaterOrEqual(t, least(a, b, j == 0), 6, "words %d and %d", i, i+j)
			assert.GreaterOrEqual(t, least(a, mirrored(b), false), 6, "words %d and %d mirrored", i, i+j)
		}
	}
}

func TestLookUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		layout, corner := rapid.IntRange(0, len(Layouts)-1).Draw(t, "layout"), rapid.IntRange(0, 3).Draw(t, "corner")
		turn := rapid.IntRange(0, Sectors-1).Draw(t, "turn")
		mirror := rapid.Bool().Draw(t, "mirror")
		// A picture turned by some sectors shows sector 0 later.
		word := turned(words[4*layout+corner], Sectors-turn)
		if mirror {
			word = mirrored(word)
		}
		damaged := rapid.SliceOfNDistinct(rapid.IntRange(0, Sectors-1), 0, 3, rapid.ID[int]).Draw(t, "damaged")
		for _, i := range damaged {
			word ^= 1 << i
		}
		l, c, at, m, ok := lookUp(word)
		if len(damaged) > maxBitErrors {
			if ok {
				t.Fatalf("%d damaged sectors pass for mark %d of layout %d", len(damaged), c, l)
			}
			return
		}
		if !ok || l != layout || c != corner || m != mirror || at != turn {
			t.Fatalf("got mark %d of layout %d at %d, mirrored %v, found %v", c, l, at, m, ok)
		}
	})
}

// What is printed must not run into something else, and must lie on paper
// that printers reach: 4.2 mm from the edge for laser printers, 12.7 mm at the
// lower edge for some ink printers (common practice, no source).
func TestLayoutsHaveRoom(t *testing.T) {
	for _, l := range Layouts {
		t.Run(l.Name, func(t *testing.T) {
			type thing struct {
				name string
				Rect
			}
			var all []thing
			add := func(name string, c Point, r float64) {
				all = append(all, thing{name, Rect{c.X - r, c.Y - r, c.X + r, c.Y + r}})
			}
			for i, m := range l.Marks {
				add(CornerNames[i], m, CodeOutR)
			}
			for i, d := range l.Dots {
				add(fmt.Sprint("dot ", i), d, DotR+1) // and the paper round it
			}
			if l.HasField() {
				all = append(all, thing{"field", l.Field})
			}
			p := l.Patches
			all = append(all, thing{"patches", Rect{p[0].X0, p[0].Y0, p[len(p)-1].X1, p[0].Y1}},
				thing{"ruler", Rect{l.Ruler[0].X, l.Ruler[0].Y, l.Ruler[1].X, l.Ruler[1].Y + 2.4}})
			fixed := len(all)
			for i, w := range l.White {
				add(fmt.Sprint("white ", i), w, 1)
			}
			for i, a := range all {
				for _, b := range all[i+1:] {
					if i >= fixed { // white places may share paper
						continue
					}
					apart := a.X1 <= b.X0 || b.X1 <= a.X0 || a.Y1 <= b.Y0 || b.Y1 <= a.Y0
					assert.True(t, apart, "%s %v meets %s %v", a.name, a.Rect, b.name, b.Rect)
				}
				assert.True(t, a.X0 >= 0 && a.Y0 >= 0 && a.X1 <= l.W && a.Y1 <= l.H, "%s lies outside the card", a.name)
			}
			for _, paper := range Papers {
				assert.GreaterOrEqual(t, (paper.W-l.W)/2, 10-1e-9, paper.Name)
				if l.HasField() {
					assert.GreaterOrEqual(t, (paper.H-l.H)/2, 10.0, paper.Name)
				}
			}
			assert.Equal(t, 150.0, l.RulerLength())
		})
	}
}

// Sizes of paper: ISO 216, A4 is 210 × 297 mm; Letter is 8.5 × 11 inches.
func TestPapers(t *testing.T) {
	assert.Equal(t, 210.0, Papers[0].W)
	assert.Equal(t, 297.0, Papers[0].H)
	assert.InDelta(t, 8.5*25.4, Papers[1].W, 1e-9)
	assert.InDelta(t, 11*25.4, Papers[1].H, 1e-9)
}

// Between table places the light is that of IEC 61966-2-1: 50 % of the encoded
// range is 21.4 %.
func TestTone(t *testing.T) { assert.InDelta(t, 0.2140, lin(127.5), 1e-4) }

func TestBlobs(t *testing.T) {
	picture := []string{
		"..........",
		".#####.##.",
		".#...#..#.",
		".#.#.#.#..",
		".#...#....",
		".#####..#.",
	}
	var dark []uint8
	for _, row := range picture {
		for _, c := range row + strings.Repeat(".", 10) {
			dark = append(dark, pixel.Bit(c == '#'))
		}
	}
	bs := blobs(dark, 20, len(picture))
	type want struct {
		black  bool
		n      int
		parent int
	}
	var got []want
	for _, b := range bs {
		got = append(got, want{b.black, int(b.A), b.parent})
	}
	// Ground, ring, hook (joined over corners), its inside, the dot, the last pixel.
	assert.Equal(t, []want{{false, 90, -1}, {true, 16, 0}, {true, 4, 0}, {false, 8, 1}, {true, 1, 3}, {true, 1, 0}}, got)

	require.Nil(t, blobs(chequer(40, 40), 40, 40), "every pixel another blob")
}

func chequer(w, h int) []uint8 {
	out := make([]uint8, w*h)
	for i := range out {
		out[i] = pixel.Bit((i%w+i/w)%2 == 0)
	}
	return out
}

// A filled ellipse has area π·a·b and second moments a²/4 and b²/4.
func TestMomentsOfEllipse(t *testing.T) {
	const w, h = 120, 90
	a, b := 40.0, 25.0
	dark := make([]uint8, w*h)
	for i := range dark {
		x, y := float64(i%w)-60, float64(i/w)-45
		dark[i] = pixel.Bit(x*x/(a*a)+y*y/(b*b) < 1)
	}
	e := blobs(dark, w, h)[1]
	c := e.Centroid()
	assert.InDelta(t, 60, c.X, 0.01)
	assert.InDelta(t, 45, c.Y, 0.01)
	// The four tips on the rim are left out.
	major, minor, angle := e.Axes()
	assert.InDelta(t, a*a/4, major*major, 2)
	assert.InDelta(t, b*b/4, minor*minor, 2)
	assert.InDelta(t, 0, angle, 0.1/(a*a/4-b*b/4))
	fill, axes := roundness(e.Moments)
	assert.InDelta(t, 1, fill, 0.005)
	assert.InDelta(t, b/a, axes, 0.005)
	assert.InDelta(t, math.Pi*a*b, e.A, 25)
}
