package grading

import (
	"math"

	"traytally/vision/kernel"
)

// Flag sets the flags of every kernel of the trays from its surface, its size
// and the limits of the profile, in place of flags set before. All flags that
// apply are set: a kernel may be chalky and spotted. Paddy and foreign bodies
// carry no other flag.
//
// It returns the flags that some picture could not decide, which belong in
// Params.NotAssessed: nothing about hue on a grey picture, nothing at all
// where no usual kernel was found to compare with.
//
// White pebbles, glass and plastic of a kernel's size and colour pass for
// rice, and so do pieces of white shell: no picture tells them apart.
func Flag(trays []kernel.Tray, p Profile) (notAssessed []kernel.Flag) {
	grey, blind := false, false
	for i := range trays {
		t := &trays[i]
		if len(t.Kernels) == 0 {
			continue
		}
		blind = blind || t.Look.Kernels == 0
		grey = grey || t.Grey
		for j := range t.Kernels {
			k := &t.Kernels[j]
			k.Flags = p.flags(t, k)
		}
		p.mend(t)
	}
	switch {
	case blind:
		return append(append(notAssessed, flagOrder[:]...), kernel.Foreign)
	case grey:
		return []kernel.Flag{kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Paddy}
	}
	return nil
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
func (p *Profile) mend(t *kernel.Tray) {
	black := (t.Look.Lab[0] + 16) * p.Surface.Black
	var dark []*kernel.Kernel
	for i := range t.Kernels {
		if k := &t.Kernels[i]; k.Surface.DarkShare >= 0.5 && k.Surface.EvenLab[0]+16 <= black {
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
func (p *Profile) flags(t *kernel.Tray, k *kernel.Kernel) []kernel.Flag {
	if t.Look.Kernels == 0 || k.Surface.Pixels == 0 {
		return nil
	}
	switch p.body(t, k) {
	case bodyForeign:
		return []kernel.Flag{kernel.Foreign}
	case bodyPaddy:
		return []kernel.Flag{kernel.Paddy}
	}
	s := &k.Surface
	var f []kernel.Flag
	if k.ChalkShare >= p.Chalky.Share {
		f = append(f, kernel.Chalky)
	}
	if !t.Grey && s.DarkShare < 0.5 { // hue of what is nearly black means nothing
		if s.YellowShare >= p.Yellow.Share && s.ColourShift >= p.Yellow.Shift ||
			t.Calibrated && p.Yellow.AbsoluteB > 0 && k.Lab[2] >= p.Yellow.AbsoluteB {
			f = append(f, kernel.Yellow)
		}
		switch {
		case s.RedShare > p.Red.Share:
			f = append(f, kernel.Red)
		case s.RedLength >= p.Red.Streak:
			f = append(f, kernel.RedStreaked)
		}
	}
	stain := s.StainShare >= p.Damaged.Stain && s.YellowShare < p.Yellow.Share
	if s.DarkShare >= p.Damaged.Dark || s.SpotShare >= p.Damaged.Spot || float64(s.Spots) >= p.Damaged.Spots || stain && !t.Grey {
		f = append(f, kernel.Damaged)
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

// body tells rice from paddy and from what is no rice.
func (p *Profile) body(t *kernel.Tray, k *kernel.Kernel) body {
	s, look, f := &k.Surface, &t.Look, &p.Foreign
	long, wide := k.LengthPx/look.LengthPx, k.WidthPx/look.WidthPx
	if above(long, f.Length) || above(wide, f.Width) {
		return bodyForeign
	}
	darker := darker(t, s)
	brown := !t.Grey && s.YellowShare >= p.Yellow.Share
	straw := straw(t, s)
	short := long < f.Short
	stubby := k.LengthPx < f.Aspect*k.WidthPx
	rough := look.Grain > 0 && s.Grain >= f.Rough*look.Grain
	slender := wide < f.HuskWidth && long/wide >= f.HuskSlender
	switch {
	case !t.Grey && s.DarkShare < 0.5 && strange(s.EvenLab, f.Strange):
		return bodyForeign
	case brown && slender && (straw >= f.HuskStraw || long >= f.HuskLength),
		brown && rough && !short && wide < f.RoughWidth: // paddy is wider than the kernel in it
		return bodyForeign // husk
	case brown && straw >= p.Paddy.Straw && short:
		if stubby || wide < f.Narrow {
			return bodyForeign // a brown stone or seed
		}
		return bodyRice // a piece of a kernel gone brown; paddy does not break
	case brown && straw >= p.Paddy.Straw && look.Lab[2] < p.Paddy.PaleB:
		return bodyPaddy
	case !t.Grey && long >= p.Paddy.Length && wide >= p.Paddy.Width && s.ColourShift >= p.Paddy.Shift &&
		(s.ShiftDeg > 30 && s.ShiftDeg < 110 || look.Lab[2] >= p.Paddy.PaleB && long >= p.Paddy.AmberLength):
		return bodyPaddy
	}
	if !short || s.YellowShare >= p.Yellow.Share {
		return bodyRice
	}
	// Rice gone dark is yellow, brown or nearly black. Grey or brown in between
	// is stone; nearly black and round is a seed, unless one end is grown and the
	// other fractured, as on a piece of a kernel. A piece of a kernel is as wide
	// as the kernel was.
	black := exposure(t) * (look.Lab[0] + 16) * (1 - p.Surface.Black)
	redder := s.EvenLab[1] - look.Lab[1]
	if darker < black+f.Near {
		if darker >= f.Drop && (s.RedShare <= p.Red.Share || redder < f.Red) {
			return bodyForeign
		}
		return bodyRice
	}
	if darker < black+f.Deep && redder < f.GreyRed && paler(look, s) > 1 {
		return bodyForeign // a dark grey stone: black rice is brownish
	}
	full := fullness(k)
	piece := k.Ends[0] == kernel.EndIntact && k.Ends[1] == kernel.EndBroken ||
		k.Ends[1] == kernel.EndIntact && k.Ends[0] == kernel.EndBroken
	if (stubby || wide < f.Narrow) && (full >= f.Round && !piece || full >= f.Whole) {
		return bodyForeign
	}
	return bodyRice
}

// paler is how much lower a piece's b* is than usual, at the usual lightness.
func paler(look *kernel.Look, s *kernel.Surface) float64 {
	return look.Lab[2] - s.EvenLab[2]*(look.Lab[0]+16)/math.Max(s.EvenLab[0]+16, 1)
}

// strawHue is the direction, in degrees, in which yellowed rice lies from the
// usual kernel: 74 to 82 on rendered trays. Husk lies below, towards red.
const strawHue = 77

// strawRed is what redness may add to that sum at most: rice can be redder
// than yellow without being dark.
const strawRed = 3

// straw is how much darker a kernel is than usual, plus 1 for every 2° that it
// is redder than yellowed rice: rice that has turned yellow stays translucent,
// husk does not.
func straw(t *kernel.Tray, s *kernel.Surface) float64 {
	return darker(t, s) + math.Max(-10, math.Min(strawRed, (strawHue-s.ShiftDeg)/2))
}

// darker is how much darker than the usual kernel a kernel is, L* of a well
// exposed picture.
func darker(t *kernel.Tray, s *kernel.Surface) float64 {
	return exposure(t) * (t.Look.Lab[0] - s.EvenLab[0])
}

// fullness is the area of the hull over that of an ellipse as long and wide:
// noise frays outlines in the dark.
func fullness(k *kernel.Kernel) float64 {
	return k.AreaPx2 / k.Solidity / (math.Pi / 4 * k.LengthPx * k.WidthPx)
}

// usualL is the L* of raw milled rice in well exposed pictures, which the
// limits on lightness are for: 71 on rendered trays.
const usualL = 71

// exposure is the factor that takes differences of L* on a tray to those of a
// well exposed picture: a picture with less light has all L*+16 smaller by one
// factor (CIE 15). It is 1 where the colours are calibrated or the kernels are
// as light as that.
func exposure(t *kernel.Tray) float64 {
	if t.Calibrated {
		return 1
	}
	return min(1.6, max(1, (usualL+16)/(t.Look.Lab[0]+16)))
}

// strange reports whether a colour is blue, violet or green: no rice is.
func strange(lab [3]float64, chroma float64) bool {
	a, b := lab[1], lab[2]
	if math.Hypot(a, b) < chroma {
		return false
	}
	h := math.Atan2(b, a) * 180 / math.Pi
	return h < -20 || h > 115
}
