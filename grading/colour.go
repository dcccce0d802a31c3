package grading

import (
	"math"
	"slices"

	"traytally/vision/kernel"
)

// Flag returns the trays with the flags that every kernel gets from its surface,
// its size and the limits of the profile, in place of flags that it had. The
// yardstick are the tray's own usual kernels: a sample that is coloured as a
// whole, as parboiled, red or aged rice is, has no flag for it. What is beyond it
// carries every name that applies; kernel.Odd where none clearly does. Paddy and
// foreign bodies carry no other flag. The trays that are handed in stay as they
// were.
//
// It returns the flags that some picture could not decide, too, which belong in
// Params.NotAssessed: nothing about hue on a grey picture, nothing at all
// where no usual kernel was found to compare with.
//
// White pebbles, glass and plastic of a kernel's size and colour pass for
// rice, and so do pieces of white shell: no picture tells them apart.
func Flag(trays []kernel.Tray, p Profile) (flagged []kernel.Tray, notAssessed []kernel.Flag) {
	flagged = slices.Clone(trays)
	for i := range flagged {
		t := &flagged[i]
		if len(t.Kernels) == 0 {
			continue
		}
		t.Kernels = slices.Clone(t.Kernels)
		for j := range t.Kernels {
			t.Kernels[j].Flags = nil
		}
		if t.Look.Kernels == 0 {
			notAssessed = append(flagOrder[:], kernel.Foreign)
			continue
		}
		if t.Grey && notAssessed == nil {
			notAssessed = []kernel.Flag{kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Paddy}
		}
		y := newYardstick(&t.Look, t.Kernels, p.Odd.Rate)
		for j := range t.Kernels {
			t.Kernels[j].Flags = p.flags(y, t, &t.Kernels[j])
		}
		mend(t)
	}
	return flagged, notAssessed
}

// partOfBlack is the area, in that of a rectangle round the usual kernel, from
// which on nearly black pieces that touch are parts of one black kernel and
// not seeds: half of a kernel.
const partOfBlack = 0.4

// wholeLength is the length, in usual lengths, from which on a black piece is
// no part but the kernel.
const wholeLength = 0.85

// mend takes back the flag of nearly black round pieces that lie together and
// are as large as a kernel: on a dark tray black kernels come apart.
func mend(t *kernel.Tray) {
	var dark []*kernel.Kernel
	for i := range t.Kernels {
		if k := &t.Kernels[i]; k.Surface.DarkShare >= 0.5 {
			dark = append(dark, k)
		}
	}
	whole := partOfBlack * t.Look.LengthPx * t.Look.WidthPx
	for _, k := range dark {
		if !k.Has(kernel.Foreign) || k.LengthPx > t.Look.LengthPx {
			continue
		}
		area, beside := k.AreaPx2, false
		for _, o := range dark {
			if o != k && o.LengthPx < wholeLength*t.Look.LengthPx && math.Hypot(o.X-k.X, o.Y-k.Y) < (o.LengthPx+k.LengthPx)/2 {
				area, beside = area+o.AreaPx2, true
			}
		}
		if beside && area >= whole {
			k.Flags = []kernel.Flag{kernel.Damaged}
		}
	}
}

// flags judges one kernel.
func (p *Profile) flags(y *yardstick, t *kernel.Tray, k *kernel.Kernel) []kernel.Flag {
	s := &k.Surface
	if s.Pixels == 0 {
		return nil
	}
	h := p.hueOf(y, t, k)
	switch p.body(t, k, h) {
	case bodyForeign:
		return []kernel.Flag{kernel.Foreign}
	case bodyPaddy:
		return []kernel.Flag{kernel.Paddy}
	}
	m := marksOf(s)
	beyond := func(mark int, least float64) bool { return m[mark] >= math.Max(least, y.mark[mark]) }
	var f []kernel.Flag
	if k.ChalkShare >= p.Chalky.Share {
		f = append(f, kernel.Chalky)
	}
	if h == hueYellow || !t.Grey && t.Calibrated && p.Yellow.AbsoluteB > 0 && k.Lab[2] >= p.Yellow.AbsoluteB {
		f = append(f, kernel.Yellow)
	}
	if !t.Grey && h != hueDark { // hue of what is nearly black means nothing
		switch {
		case beyond(markRed, p.Red.Share):
			f = append(f, kernel.Red)
		case beyond(markStreak, p.Red.Streak):
			f = append(f, kernel.RedStreaked)
		}
	}
	stain := !t.Grey && h != hueYellow && beyond(markStain, p.Damaged.Stain)
	if h == hueDark || stain || beyond(markSpot, p.Damaged.Spot) {
		f = append(f, kernel.Damaged)
	}
	if len(f) == 0 && h != hueUsual && h != huePale && !through(&t.Look, tintOf(&t.Look, s)) {
		f = append(f, kernel.Odd)
	}
	return f
}

// A body is what a piece is, before its defects are looked at.
type body uint8

const (
	bodyRice body = iota
	bodyPaddy
	bodyForeign
)

// Sizes in those of the usual whole kernel. Rough rice is 1.3 times as long and
// 1.15 as wide as milled (Cereals Processing Technology, Woodhead 2001, table
// 5.1), of bold rice up to 1.5 times as long; a kernel on its side is 0.8 wide.
const (
	tooLong, tooWide     = 1.8, 1.6
	paddyWidth           = 1.06
	paddyLong            = 1.25 // whatever the width
	shortPiece           = 0.6  // a stone or a seed of rice's own length is too rare to tell
	slenderHusk          = 1.33 // length over width: paddy has 1.14, a kernel on its side 1.25
	roundStone, roundOne = 0.92, 0.975
	stubby               = 1.6 // length over width, in pixels
	narrow               = 0.65
	onSide               = 0.8
	redBran              = 11 // a* above the usual kernel: brown stones reach 9, red bran begins at 12 (rendered trays)
)

// body tells rice from paddy and from what is no rice. A piece within the
// length, width and colour of the sample's own kernels is rice, unless the
// network is sure that it is not.
func (p *Profile) body(t *kernel.Tray, k *kernel.Kernel, h hue) body {
	look := &t.Look
	long, wide := k.LengthPx/look.LengthPx, k.WidthPx/look.WidthPx
	x := tintOf(look, &k.Surface)
	large := long >= p.Paddy.Length && wide >= paddyWidth || long >= paddyLong && wide >= 1
	brownish := h == hueYellow || h == hueHusk || h == hueOdd && x[1] > 0 && x[2] > x[1]
	short := long < shortPiece
	slender := wide < 0.9 && long/wide >= slenderHusk
	full := fullness(k)
	piece := k.Ends[0] == kernel.EndIntact && k.Ends[1] == kernel.EndBroken ||
		k.Ends[1] == kernel.EndIntact && k.Ends[0] == kernel.EndBroken
	round := short && (k.LengthPx < stubby*k.WidthPx || wide < narrow) && (full >= roundStone && !piece || full >= roundOne)
	sure := p.Foreign.Chance
	switch {
	case h == hueUsual || h == hueYellow || h == hueRed || h == hueDark && !short: // as rice is
		sure = 1 - (1-sure)/4
	case slender || round:
		sure /= 2
	}
	switch {
	case h != hueUsual && (above(long, tooLong) || above(wide, tooWide)), h == hueStrange, k.ForeignChance >= sure:
		return bodyForeign
	case h == hueHusk && (slender || wide < onSide), brownish && slender && (long > 1.04 || long > 0.85 && wide < onSide):
		return bodyForeign // husk: as long as a kernel, and narrower than one on its side
	case h == hueHusk && short && round:
		return bodyForeign // a brown stone or seed
	case h == hueHusk && !short:
		return bodyPaddy
	case large && brownish:
		return bodyPaddy
	case short && full >= roundStone && h == hueGrey, round && (h == hueDark || h == hueOdd || h == hueRed && x[1] < redBran):
		return bodyForeign // stones and seeds
	}
	return bodyRice
}

// fullness is the area of the hull over that of an ellipse as long and wide:
// fragments have 0.75 to 0.9, seeds 0.98 (rendered trays). Noise frays outlines
// in the dark.
func fullness(k *kernel.Kernel) float64 {
	return k.AreaPx2 / k.Solidity / (math.Pi / 4 * k.LengthPx * k.WidthPx)
}
