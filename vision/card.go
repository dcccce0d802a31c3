package vision

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"traytally/vision/internal/card"
	"traytally/vision/internal/colour"
	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// CardOptions says what is known about a tray card in a picture.
type CardOptions struct {
	// RulerMM is how long the line on the printed card was found to be with a
	// ruler, mm; 0: it was not measured. A card whose line is off by more than
	// a hundredth is refused; less is taken into the scale.
	RulerMM float64
	// White is the reflectance of the card's paper, 0..1; 0: 0.86.
	White float64
	// Thorough looks for small marks as well, which takes a few times as long.
	Thorough bool
	// ScaleOnly asks for the scale alone, as of a card scanned by itself: there
	// need be no dark place for rice, and nothing can be measured on the Card.
	ScaleOnly bool
}

// CardRulerMM is the nominal length of the line on a card, mm.
const CardRulerMM = 150

// maxPrintError is how far the line on the card may be off, as a share. What a
// printer makes of "fit to page" is 3 to 6 %.
const maxPrintError = 0.01

// The print by the edges of its sheet, as shares. Sides of A4 may be cut 2 mm
// off (ISO 216, from memory), 0.8 % on average, so that only more is a misprint;
// where both are off by no more than maxSheetDoubt the print counts as checked.
const (
	maxSheetError   = 0.009
	maxSheetDoubt   = 0.003
	maxSheetStretch = 0.007
)

// The print by how the camera sees it where no sheet tells: a stretch that
// stands out of its uncertainty by stretchSure standard deviations and more
// than noteStretch is said, and more than maxStretch refused.
const (
	noteStretch = 0.006
	maxStretch  = 0.015
	stretchSure = 3
)

// ErrNoCard is the cause where a picture shows no tray card.
var ErrNoCard = card.ErrNone

// A Card is a tray card found in a picture.
type Card struct {
	PxPerMM  float64 // of the picture that Straighten returns, on the card's plane
	ScalePct float64 // standard uncertainty of the scale by the fit, %; the print's is not in it
	Light    CardLight
	Warnings []kernel.Warning

	found  *card.Found
	ruler  float64 // measured length of the line over the nominal one; 0: not measured
	sheet  string  // its paper, where all four edges of the sheet are seen; else empty
	size   float64 // of the print by them, over the design's
	square bool    // the print is as high as it should be for its width
	edge   card.Edge
	light  card.Light
	lit    bool
	area   card.Rect
	white  float64 // reflectance of the paper
	scale  float64 // px of the straightened picture per mm of the card's design
}

// CardLight is what the paper and the grey patches of a card tell of light,
// balance and exposure. Straighten has them taken out of the picture already.
type CardLight struct {
	// Known reports whether colours can be brought to the card: enough plain
	// paper is seen and it is not burnt out.
	Known bool
	// ShadowPct is the depth of a shadow whose edge crosses the card's rim, %;
	// 0: none found.
	ShadowPct float64
	// GreyDeltaE00 is the mean colour difference of the printed greys from
	// their nominal value after balancing: the camera's tone curve, the
	// printer, or glare.
	GreyDeltaE00 float64
}

// Limits of what is said about light.
const (
	minShadow = 0.12 // of the light, from which on a step is a shadow
	minWave   = 0.07 // of the light, from which on a departure from an even fall is one
	maxBurnt  = 0.1  // of the white places
	maxGreyDE = 4    // CIEDE2000
	minPaper  = 0.15 // linear
	// maxFieldTrim is how far dark paper laid into the field may fall short of
	// its sides, mm; maxTrayTrim the same of a tray beside a strip card.
	maxFieldTrim = 12
	maxTrayTrim  = 60
	// maxAreaSD is the uncertainty of the scale up to which a place beside a
	// strip card is measured, as a share.
	maxAreaSD = 0.0015
	// minArea is the least width and height of an area, mm.
	minArea = 20
	// otherSide is the share of bright things on the other side of a strip card
	// from which on they are mentioned.
	otherSide = 0.1
	// warnAngle is the slant of the view at the farthest place of the area, in
	// degrees from straight above, from which on it is mentioned: a cut face of
	// 0.8 mm half height may then look 0.56 mm longer.
	warnAngle = 35
	// maxGain is up to how much brightening raises what stands out of the tray.
	maxGain = 3
	// maxLensDoubt is the share of the scale from which on it is said that a
	// strip card does not tell the lens from a bend of the strip.
	maxLensDoubt = 0.003
)

// FindCard looks for a tray card in a picture. Its error is a *fault.Error
// with ErrNoCard as its cause where there is none, and without where there is
// one that gives no scale, or one that cannot be trusted.
func FindCard(ctx context.Context, p *Picture, o CardOptions) (*Card, error) {
	px := card.Pixels(pixelsOf(p))
	if px.Pix == nil {
		return nil, errors.New("the picture is closed")
	}
	f, err := card.Find(ctx, px, o.Thorough)
	c := &Card{found: f, white: cmp.Or(max(0, o.White), card.PaperY)}
	if err == nil {
		err = c.settle(px, o)
	}
	if err != nil {
		return nil, named(p.Name, err)
	}
	return c, nil
}

// named gives an error of a room within, if it is a fault, the file's name.
func named(path string, err error) error {
	if e := fault.Of(err); e != nil {
		e.Path = path
	}
	return err
}

// settle works out all that is wanted of the card found.
func (c *Card) settle(px card.Pixels, o CardOptions) error {
	f := c.found
	if err := c.checkPrint(px, o.RulerMM); err != nil {
		return err
	}
	c.edge = f.Edge(px)
	c.light, c.lit = f.Light(px)
	c.area = card.Rect{X1: f.Layout.W, Y1: f.Layout.H}
	if !o.ScaleOnly {
		if err := c.findArea(px); err != nil {
			return err
		}
	}
	c.ScalePct = 100 * max(f.ScaleSD(c.area.Middle()), f.ScaleSD(card.Point{X: c.area.X0, Y: c.area.Y0}), f.ScaleSD(card.Point{X: c.area.X1, Y: c.area.Y1}))

	// As fine as the finest part of the area, but no more pixels than there are.
	doubt := 0.0
	for _, q := range c.places() {
		s, _ := f.Camera.Scales(q)
		c.scale, doubt = max(c.scale, s), max(doubt, f.LensDoubt(q))
	}
	c.scale = min(c.scale, math.Sqrt(float64(px.W)*float64(px.H)/(c.area.W()*c.area.H())))
	c.PxPerMM = c.scale / c.actual()
	c.judgeLight()
	c.judgeView()
	if doubt > maxLensDoubt {
		c.warn("card_bent_or_lens", "greatest change of the scale in the tray if the strip is bent, share", doubt, maxLensDoubt,
			"lay the strip quite flat, near the rice; or use the tray card, which tells a bend from the lens",
			"the strip card looks bent, by the lens or because it is not flat: the scale takes it for the lens, else it is wrong by up to %.1f %%", 100*doubt)
	}
	return nil
}

// actual is the length of a mm of the design on the print, mm.
func (c *Card) actual() float64 { return cmp.Or(c.ruler, 1) }

// pixelsOf returns the pixels of p, which must stay open.
func pixelsOf(p *Picture) pixel.Pixels { return pixel.Pixels{Pix: p.Pix(), W: p.Width, H: p.Height} }

// checkPrint tells at which size the card was printed, by the measured length of
// its line, 0 where it was not measured, by the edges of its sheet and by how
// its width and height are seen.
func (c *Card) checkPrint(px card.Pixels, ruler float64) error {
	lay := c.found.Layout
	misprint := func(more, what string, a ...any) error {
		return fault.New("", "print the card again at 100 % (actual size), not fitted to the page, and measure the line"+more, what, a...)
	}
	if ruler > 0 {
		c.ruler = ruler / lay.RulerLength()
		if math.Abs(c.ruler-1) > maxPrintError {
			return misprint("", "the line on the printed card measures %g mm instead of %g mm: it was printed at %.1f %%", ruler, lay.RulerLength(), 100*c.ruler)
		}
	}
	actual := c.actual()
	sheet, seen := c.found.Printed(px)
	if seen && math.Abs(sheet.Stretch()) > maxSheetStretch {
		if ruler == 0 || math.Abs(sheet.X/actual-1) <= maxSheetDoubt {
			return misprint("; where the sheet was cut smaller, give what the line measures",
				"by the edges of its sheet (%s) the card was printed at %.1f %% across and %.1f %% along", sheet.Paper.Call, 100*sheet.X, 100*sheet.Y)
		}
		seen = false // cut smaller
	}
	print := "the print of the tray card was not checked: the scale is as right as the printer"
	if seen {
		c.sheet, c.size = sheet.Paper.Call, sheet.Size()
		if math.Abs(c.size/actual-1) > maxSheetError {
			return misprint("", "by the edges of its sheet (%s) the card was printed at %.1f %%", c.sheet, 100*c.size)
		}
		if max(math.Abs(sheet.X/actual-1), math.Abs(sheet.Y/actual-1)) <= maxSheetDoubt {
			c.square = true
			if ruler == 0 {
				return nil // the sheet vouches for the print
			}
		}
		print = fmt.Sprintf("by the edges of its sheet (%s) the card was printed at %.1f %% across and %.1f %% along, which may be the cut of the paper: the scale is as right as the printer", c.sheet, 100*sheet.X, 100*sheet.Y)
	} else {
		c.square = c.found.Pose.StretchSD < maxSheetDoubt
		by, doubt := c.found.Pose.Stretch, stretchSure*c.found.Pose.StretchSD
		say := fmt.Sprintf("the card looks stretched along by %+.1f %% (±%.1f %%): by the printer, or the picture was cropped or changed", 100*by, 200*c.found.Pose.StretchSD)
		switch {
		case math.Abs(by) > maxStretch+doubt:
			return misprint("; give the picture as the camera made it", "%s", say)
		case math.Abs(by) > noteStretch+doubt:
			c.warn("card_stretched", "stretch of the print as seen, share", math.Abs(by), noteStretch,
				"measure the field of the printed card: it must be 150 mm wide and 197 mm high", "%s", say)
		}
	}
	if ruler == 0 {
		c.warn("card_print_unchecked", "", 0, 0,
			fmt.Sprintf("measure the line on the card with a ruler and give it, for example --card-ruler %.1f", lay.RulerLength()), "%s", print)
	}
	return nil
}

// findArea finds the dark place where the rice lies.
func (c *Card) findArea(px card.Pixels) error {
	f := c.found
	onIt := f.Layout.HasField()
	areas := f.Areas(maxAreaSD, minArea)
	if len(areas) == 0 {
		return fault.New("", "lay the card along one side of the tray and show the tray on the other",
			"there is no room for rice beside the strip card in the picture")
	}
	c.area = areas[0]
	if !c.lit {
		return nil
	}
	trim := float64(maxFieldTrim)
	if !onIt {
		trim = maxTrayTrim
	}
	// Of the two sides of a strip the rice lies where there is more that is bright.
	type side struct {
		dark   card.Rect
		bright float64
	}
	var sides []side
	for _, r := range areas {
		if dark, ok := f.Dark(px, &c.light, r, trim); ok {
			sides = append(sides, side{dark, f.Bright(px, &c.light, dark)})
		}
	}
	slices.SortStableFunc(sides, func(a, b side) int { return cmp.Compare(b.bright, a.bright) })
	if len(sides) > 1 && sides[1].bright > otherSide*sides[0].bright {
		c.warn("card_two_sides", "what is bright on the side not measured, over the other", sides[1].bright/sides[0].bright, otherSide,
			"lay the strip along one side of the rice",
			"rice or other bright things lie on both sides of the strip card: only the side with more of them is measured")
	}
	switch {
	case len(sides) > 0:
		c.area = sides[0].dark
		return nil
	case onIt:
		return fault.New("", "lay matt dark paper over the whole field, or print the card with a dark field",
			"the field of the tray card is bright along a side")
	}
	return fault.New("", "lay the card flat on a dark tray that fills the picture",
		"what lies beside the strip card is bright")
}

// places are the corners and the middle of the area.
func (c *Card) places() []card.Point {
	corners := c.area.Corners()
	return append(corners[:], c.area.Middle())
}

func (c *Card) warn(code, metric string, value, limit float64, hint, format string, a ...any) {
	c.Warnings = append(c.Warnings, kernel.Warning{Code: code, Text: fmt.Sprintf(format, a...), Hint: hint, Value: value, Limit: limit, Metric: metric})
}

// judgeLight fills in Light and warns of what it doubts.
func (c *Card) judgeLight() {
	if !c.lit {
		c.warn("card_light_unknown", "", 0, 0, "keep the white rim of the card free and lit",
			"the light cannot be told from the card: too little of its paper is seen; colours are as the camera made them")
		return
	}
	l, lay := &c.light, c.found.Layout
	if l.Step >= minShadow {
		c.Light.ShadowPct = 100 * l.Step
		c.warn("card_shadow", "step of light at the rim of the card, share", l.Step, minShadow,
			"turn so that neither you nor the camera shades the card, or use light from both sides",
			"a shadow crosses the card: at its %s side the light drops by %.0f %%; colours within it are not to be trusted", lay.Side(l.StepAt), 100*l.Step)
	} else if l.Wave >= minWave {
		c.Light.ShadowPct = 100 * l.Wave
		c.warn("card_shadow", "departure of the light at the rim of the card from an even fall, share", l.Wave, minWave,
			"turn so that neither you nor the camera shades the card, or use light from both sides",
			"a soft shadow lies over the card, most at its %s side: the light departs from an even fall by %.0f %%; colours are not to be trusted", lay.Side(l.Low), 100*l.Wave)
	}
	if l.Burnt > maxBurnt {
		c.warn("card_burnt_out", "share of the card's paper with a channel at the top of its range", l.Burnt, maxBurnt,
			"take the picture again with a shorter exposure",
			"%.0f %% of the card's paper is burnt out: colours cannot be balanced and are as the camera made them", 100*l.Burnt)
		return
	}
	c.Light.Known = true
	if v := l.At(card.Point{X: lay.W / 2, Y: lay.H / 2})[1]; v < minPaper {
		c.warn("card_dark", "linear value of the card's paper", v, minPaper, "more light, or a longer exposure",
			"the picture is dark: the paper of the card is recorded at %.0f %% of full light", 100*v)
	}
	sum, n := 0.0, 0
	for i, t := range lay.Patches {
		v := l.Patches[i]
		if math.IsNaN(v[0]) {
			continue
		}
		y := card.Reflectance(t.Grey, c.white)
		sum += colour.DeltaE00(colour.FromLinear(v[2]*c.white, v[1]*c.white, v[0]*c.white), colour.FromLinear(y, y, y))
		n++
	}
	if n > 0 {
		c.Light.GreyDeltaE00 = sum / float64(n)
	}
	if c.Light.GreyDeltaE00 > maxGreyDE {
		c.warn("card_greys_off", "mean CIEDE2000 of the grey patches from their nominal value", c.Light.GreyDeltaE00, maxGreyDE,
			"avoid glare on the print; print on matt white paper; turn off the camera's filters",
			"the grey patches of the card are off by ΔE %.1f on average: glare, the printer or the camera's tone curve; lightness carries that doubt", c.Light.GreyDeltaE00)
	}
}

// judgeView warns where the view leans so far that kernels show their sides.
func (c *Card) judgeView() {
	far := 0.0
	for _, q := range c.area.Corners() {
		far = max(far, math.Hypot(c.found.Pose.Lean(q)))
	}
	if angle := math.Atan(far) * 180 / math.Pi; angle > warnAngle {
		c.warn("card_oblique", "greatest angle from straight above, degrees", angle, warnAngle,
			"hold the camera straight above the middle of the card, farther away, and zoom in",
			"kernels are seen up to %.0f° from the side; lengths are corrected for it, cut faces only roughly", angle)
	}
}

// ScaleSource says for people where the scale comes from.
func (c *Card) ScaleSource() string {
	f := c.found
	print := "print not checked"
	switch {
	case c.ruler > 0:
		print = fmt.Sprintf("printed line %.1f mm", c.ruler*CardRulerMM)
		if !c.square {
			print += ", height of the print not checked"
		}
	case c.size > 0:
		print = fmt.Sprintf("print at %.1f %% by the edges of the %s sheet", 100*c.size, c.sheet)
	}
	camera := ""
	if f.Pose.FocalSD < 0.15 {
		camera = fmt.Sprintf("camera %.0f mm above, ", f.Pose.Height*c.actual())
	}
	return fmt.Sprintf("%s (%d marks and dots within %.2f mm, %stilted %.0f°, %s)",
		f.Layout.Name, f.Dots+4, f.Worst, camera, f.Pose.Tilt*180/math.Pi, print)
}
