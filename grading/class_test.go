package grading

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestSize walks the limits of the Annex of Codex CXS 198-1995 (from memory):
// just inside, exactly on, just outside, with lengths that floating point
// cannot hold.
func TestSize(t *testing.T) {
	const whole = 6.9
	for _, c := range []struct {
		name   string
		length float64
		want   Class
	}{
		{"longer than whole", 7.5, Head},
		{"whole", 6.9, Head},
		{"just over 3/4", 5.1751, Head},
		{"3/4", 5.175, Head},
		{"just under 3/4", 5.1749, LargeBroken},
		{"just over 1/2", 3.4501, LargeBroken},
		{"1/2", 3.45, MediumBroken},
		{"just under 1/2", 3.4499, MediumBroken},
		{"just over 1/4", 1.7251, MediumBroken},
		{"1/4", 1.725, SmallBroken},
		{"crumb", 0.5, SmallBroken},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.Equal(t, c.want, Size(c.length/whole, 0.75))
		})
	}
}

// TestSizeEquality tries the three limits at every whole-kernel length from
// 4.00 to 9.00 mm in hundredths, where 3·L/4 divided by L is not always 3/4.
func TestSizeEquality(t *testing.T) {
	for i := 400; i <= 900; i++ {
		whole := float64(i) / 100
		require.Equal(t, Head, Size(0.75*whole/whole, 0.75), "%g", whole)
		require.Equal(t, Head, Size(0.1*8*whole/whole, 0.8), "%g", whole)
		require.Equal(t, MediumBroken, Size(whole/2/whole, 0.75), "%g", whole)
		require.Equal(t, SmallBroken, Size(whole/4/whole, 0.75), "%g", whole)
	}
}

// TestSizeCut takes other cuts that are in use: 8/10 in the Philippines, 1/2.
func TestSizeCut(t *testing.T) {
	assert.Equal(t, LargeBroken, Size(0.79, 0.8))
	assert.Equal(t, Head, Size(0.8, 0.8))
	assert.Equal(t, Head, Size(0.5, 0.5))
	assert.Equal(t, MediumBroken, Size(0.499, 0.5))
}

func TestChip(t *testing.T) {
	s := &Sample{Params: DefaultParams(), MM: true}
	small, wide := &Piece{Width: 1.39}, &Piece{Width: 1.40}
	assert.Equal(t, Chip, s.Class(small, 0.2))
	assert.Equal(t, SmallBroken, s.Class(wide, 0.2), "what just fits the hole is not under it")
	assert.Equal(t, MediumBroken, s.Class(small, 0.4), "a thin piece of medium length is no chip")
	s.MM = false
	assert.Equal(t, SmallBroken, s.Class(small, 0.2), "without a scale chips are not told")
}
