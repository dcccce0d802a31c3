package pixel

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// IEC 61966-2-1: both branches meet at 0.04045; 50 % of the encoded range is
// 21.4 % of the light; the linear part ends at 0.0031308, where both branches
// give 10.31 of 255.
func TestTransfer(t *testing.T) {
	assert.InDelta(t, 0.04045/12.92, Linear(0.04045), 1e-12)
	assert.InDelta(t, Linear(0.04045), Linear(0.0404501), 1e-6)
	assert.InDelta(t, 0.2140, Linear(0.5), 0.5e-4) // 0.214 041 14…, common knowledge of the sRGB curve
	assert.InDelta(t, 1, Linear(1), 1e-12)
	assert.InDelta(t, 10.315, Encode(0.0031308), 2e-3)
	for v := range 256 {
		assert.InDelta(t, float64(v), Encode(float64(Light[v])), 1e-4)
	}
}

// ITU-R BT.601: 0.299 red, 0.587 green, 0.114 blue.
func TestLuma(t *testing.T) {
	for k, want := range [3]float64{0.114, 0.587, 0.299} {
		var q [3]byte
		q[k] = 255
		assert.InDelta(t, 255*want, float64(Luma(q[:]))/256, 0.5)
	}
}

// By hand: of 2 values of 1, 1 of 2, 1 of 8 and 2 of 9 the classes are {1, 1, 2},
// mean 4/3, and {8, 9, 9}, mean 26/3.
func TestOtsu(t *testing.T) {
	h := []int{0, 2, 1, 0, 0, 0, 0, 0, 1, 2}
	last, low, high := Otsu(h, 0, 0)
	assert.Equal(t, 2, last)
	assert.InDelta(t, 4./3, low, 1e-12)
	assert.InDelta(t, 26./3, high, 1e-12)
	_, low, _ = Otsu(h, 0.5, 0)
	assert.InDelta(t, 4./3+0.5, low, 1e-12)
	_, low, high = Otsu([]float64{0, 0.5, 0}, 0, 0)
	assert.Equal(t, low, high, "one value has no two classes")
	// A class of 1 in 20 is too small where a tenth is asked for.
	last, _, _ = Otsu([]int{1, 0, 0, 0, 0, 0, 0, 10, 9}, 0, 0.1)
	assert.Equal(t, 7, last)
}

// Parts are the classes of the relation "neighbour", each told once, by their
// first places.
func TestParts(t *testing.T) {
	var p Parts // used again and again
	rapid.Check(t, func(t *rapid.T) {
		w, h := rapid.IntRange(1, 9).Draw(t, "w"), rapid.IntRange(1, 9).Draw(t, "h")
		on := rapid.SliceOfN(rapid.Bool(), w*h, w*h).Draw(t, "on")
		corners := rapid.Bool().Draw(t, "corners")
		f := NewForest(w * h)
		for i := range on {
			for j := range i {
				x, y := i%w-j%w, i/w-j/w
				if on[i] && on[j] && (x*x+y*y == 1 || corners && x*x+y*y == 2) {
					f.Join(int32(i), int32(j))
				}
			}
		}
		var want, got [][]int32
		for i := range on {
			if on[i] && f.Find(int32(i)) == int32(i) {
				var part []int32
				for j := range on {
					if on[j] && f.Find(int32(j)) == int32(i) {
						part = append(part, int32(j))
					}
				}
				want = append(want, part)
			}
		}
		in := make([]uint8, len(on))
		for i := range on {
			in[i] = Bit(on[i])
		}
		p.Each(in, w, corners, func(part []int32) {
			part = slices.Clone(part)
			slices.Sort(part)
			got = append(got, part)
		})
		assert.Equal(t, want, got)
	})
}
