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
	}
	switch {
	case blind:
		return append(append(notAssessed, flagOrder[:]...), kernel.Foreign)
	case grey:
		return []kernel.Flag{kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Paddy}
	}
	return nil
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
	s, look := &k.Surface, &t.Look
	long, wide := k.LengthPx/look.LengthPx, k.WidthPx/look.WidthPx
	if above(long, p.Foreign.Length) || above(wide, p.Foreign.Width) {
		return bodyForeign
	}
	darker := look.Lab[0] - s.EvenLab[0]
	brown := !t.Grey && s.YellowShare >= p.Yellow.Share
	straw := straw(look, s)
	short := long < p.Foreign.Short
	switch {
	case !t.Grey && s.DarkShare < 0.5 && strange(s.EvenLab, p.Foreign.Strange):
		return bodyForeign
	case brown && wide < p.Foreign.HuskWidth && long/wide >= p.Foreign.HuskSlender && (straw >= p.Foreign.HuskStraw || long >= p.Foreign.HuskLength):
		return bodyForeign // husk
	case brown && straw >= p.Paddy.Straw && short && k.LengthPx < p.Foreign.Aspect*k.WidthPx:
		return bodyForeign // a brown stone or seed
	case brown && straw >= p.Paddy.Straw && look.Lab[2] < p.Paddy.PaleB:
		return bodyPaddy
	case !t.Grey && long >= p.Paddy.Length && wide >= p.Paddy.Width && s.ColourShift >= p.Paddy.Shift &&
		(s.ShiftDeg > 30 && s.ShiftDeg < 110 || look.Lab[2] >= p.Paddy.PaleB && long >= p.Paddy.AmberLength):
		return bodyPaddy
	}
	if !short || s.YellowShare >= p.Yellow.Share || s.RedShare > p.Red.Share {
		return bodyRice
	}
	// Rice gone dark is yellow, brown or nearly black. Grey in between is
	// stone; nearly black and round is a seed, unless one end is grown and the
	// other fractured, as on a piece of a kernel. A piece of a kernel is as wide
	// as the kernel was.
	round := (k.LengthPx < p.Foreign.Aspect*k.WidthPx || wide < p.Foreign.Narrow) && k.AreaPx2 >= p.Foreign.Round*math.Pi/4*k.LengthPx*k.WidthPx
	piece := k.Ends[0] == kernel.EndIntact && k.Ends[1] == kernel.EndBroken ||
		k.Ends[1] == kernel.EndIntact && k.Ends[0] == kernel.EndBroken
	black := (look.Lab[0] + 16) * (1 - p.Surface.Black)
	if darker >= black && round && !piece || darker >= p.Foreign.Drop && darker < black {
		return bodyForeign
	}
	return bodyRice
}

// strawHue is the direction, in degrees, in which yellowed rice lies from the
// usual kernel: 74 to 82 on rendered trays. Husk lies below, towards red.
const strawHue = 77

// straw is how much darker a kernel is than usual, plus 1 for every 2° that it
// is redder than yellowed rice: rice that has turned yellow stays translucent,
// husk does not.
func straw(look *kernel.Look, s *kernel.Surface) float64 {
	return look.Lab[0] - s.EvenLab[0] + math.Max(-10, math.Min(10, (strawHue-s.ShiftDeg)/2))
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
