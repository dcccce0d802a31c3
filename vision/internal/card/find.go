package card

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"traytally/vision/internal/pixel"
	"traytally/vision/kernel/fault"
)

// ErrNone is the cause where there is no card in the picture.
var ErrNone = errors.New("no tray card in the picture")

// refusal says why a card in the picture gives no scale.
func refusal(hint, what string, a ...any) error { return fault.New("", hint, what, a...) }

// Limits of what a card is taken for.
const (
	// MaxTilt is the steepest view from which kernels are measured. At 30° a
	// fracture that faces the lens adds 0.58 of its height to the length.
	MaxTilt = 30 * math.Pi / 180
	// maxResidual is the greatest root mean square, in mm, of what the fit
	// leaves; maxWorst is that of a single mark or dot. A sheet torn through its
	// middle and laid with a gap of half a millimetre, 0.2 % of its length,
	// leaves 0.1.
	maxResidual = 0.1
	maxWorst    = 0.3
	// A strip stands for a tray several times as wide as itself: seen at a slant
	// and bent by 1 mm it leaves 0.018 mm, and scales 100 mm away are off by a
	// hundredth.
	maxStripResidual = 0.015
	maxStripWorst    = 0.04
	// MaxRadial is the greatest displacement at the picture's corners, as a
	// share of half of its diagonal, that the radial terms are trusted with.
	MaxRadial = 0.1
	// needsTerm is the share to which a second radial term must bring the
	// residual down to be taken: a simpler lens gives a surer scale.
	needsTerm = 0.6
	// MinPxPerMM is the least resolution of the farthest part of the field: a
	// kernel of 2 mm is then 8 pixels wide.
	MinPxPerMM = 4
	// minDots is the share of the dots that must be seen.
	minDots = 0.6
	// markSpread is how far, as a share, a mark's own shape and direction may
	// differ from what the four marks together say.
	markSpread = 0.15
)

// A Found is a card found in a picture.
type Found struct {
	fit
	Layout    *Layout
	Pose      Pose
	Dots      int // dots seen
	sightings []sighting
	// plain is the camera of a strip card if its lens were without distortion;
	// nil on a tray card.
	plain *Camera
}

// sides are the long sides in pixels, one after the other, of the shrunk
// pictures in which marks are looked for. In the first a mark of a card that
// fills half of the picture has a disc of 20 pixels; it is shrunk by no more
// than maxShrink, so that a card shown at MinPxPerMM has one of 7.
var sides = [...]int{1600, 3600}

const maxShrink = 3

// Find looks for a card. Its error is a *fault.Error, without a path, where
// there is none or one that gives no scale, or that of ctx. thorough looks for
// small marks too, which takes a few times as long; else that is done only
// where a first mark was found.
func Find(ctx context.Context, p Pixels, thorough bool) (*Found, error) {
	none := &fault.Error{What: "shows no tray card", Hint: "print one with: traytally card --out card.pdf; show all four corner marks", Err: ErrNone}
	if p.W < 100 || p.H < 100 {
		return nil, none
	}
	var good, bad []mark
	for i, side := range sides {
		side = max(side, (max(p.W, p.H)+maxShrink-1)/maxShrink)
		if i > 0 && (max(p.W, p.H) <= sides[i-1] || !thorough && len(good)+len(bad) == 0) {
			break
		}
		g, b, err := p.find(ctx, side)
		if err != nil {
			return nil, err
		}
		if i == 0 || len(g) > len(good) {
			good, bad = g, b
		}
		if len(good) >= 4 {
			break
		}
	}
	if len(good) == 0 {
		if len(bad) > 1 {
			return nil, refusal("go nearer, focus, hold the camera still; the whole card must be in the picture",
				"%d marks that look like those of a tray card cannot be read", len(bad))
		}
		return nil, none
	}
	four, err := p.complete(good, bad)
	if err != nil {
		return nil, err
	}
	return p.fit(four)
}

// complete returns the four marks of one card, or why it cannot.
func (p Pixels) complete(good, bad []mark) ([4]mark, error) {
	var four [4]mark
	var seen [4]bool
	layout := good[0].layout
	for _, m := range good {
		switch {
		case m.mirror:
			return four, refusal("take the picture with the main camera, or turn mirroring off",
				"the picture is mirrored: the marks of the tray card read backwards")
		case m.layout != layout:
			return four, refusal("leave one card in the picture",
				"marks of a %s and of a %s lie in one picture", Layouts[layout].Name, Layouts[m.layout].Name)
		case seen[m.corner]:
			return four, refusal("leave one card in the picture",
				"the %s mark of the tray card is in the picture twice", CornerNames[m.corner])
		}
		four[m.corner], seen[m.corner] = m, true
	}
	if len(good) == 4 {
		return four, nil
	}
	var why []string
	for i, s := range seen {
		if !s {
			why = append(why, fmt.Sprintf("the %s mark %s", CornerNames[i], p.missing(good, bad, Layouts[layout].Marks[i])))
		}
	}
	return four, refusal("show all four corner marks, clean and uncovered, or print the card anew",
		"the tray card is not whole: %s", strings.Join(why, ", "))
}

// missing says what became of a mark at a card position.
func (p Pixels) missing(good, bad []mark, at Point) string {
	// Seen from the nearest mark that was found.
	l := Layouts[good[0].layout]
	n := slices.MinFunc(good, func(a, b mark) int {
		return int(1000 * (l.Marks[a.corner].Dist(at) - l.Marks[b.corner].Dist(at)))
	})
	d := at.Sub(l.Marks[n.corner])
	q := n.at.to(d.X, d.Y)
	const slack = 0.2 // of the way there
	reach := slack * q.Dist(n.at.c)
	for _, b := range bad {
		if b.at.c.Dist(q) < reach {
			return "cannot be read (soiled, torn or blurred)"
		}
	}
	m := CodeOutR * n.at.scale()
	if q.X < m || q.Y < m || q.X > float64(p.W)-m || q.Y > float64(p.H)-m {
		return "lies outside the picture or is cut off"
	}
	return "is hidden, torn off or in too much shade"
}

// fit fits the camera to the four marks and the dots.
func (p Pixels) fit(four [4]mark) (*Found, error) {
	l := Layouts[four[0].layout]
	torn := func(what string, a ...any) error {
		return refusal("use one whole, flat card; print it anew", what, a...)
	}
	for i := range four {
		a, b := four[i].at.c, four[(i+1)%4].at.c
		c := four[(i+2)%4].at.c
		if turn := (b.X-a.X)*(c.Y-b.Y) - (b.Y-a.Y)*(c.X-b.X); turn <= 0 {
			return nil, torn("the marks of the tray card lie in the wrong order: parts of several cards, or a torn one")
		}
	}

	f := &Found{Layout: l}
	for i, m := range four {
		f.sightings = append(f.sightings, sighting{mm: l.Marks[i], r: DiscR, px: m.at.c, mark: true})
	}
	cam, err := p.start(l, f.sightings)
	if err != nil {
		return nil, torn("the marks of the tray card lie in one line")
	}
	for i, m := range four {
		a, b := cam.local(l.Marks[i]), m.at
		whole := math.Sqrt(sq(a.xx) + sq(a.xy) + sq(a.yx) + sq(a.yy))
		if d := math.Sqrt(sq(a.xx-b.xx)+sq(a.xy-b.xy)+sq(a.yx-b.yx)+sq(a.yy-b.yy)) / whole; d > markSpread {
			return nil, torn("the %s mark of the tray card is not turned as the others say: parts of several cards, or a torn one", CornerNames[i])
		}
	}
	for _, d := range l.Dots {
		a := cam.local(d)
		guess := a.c
		if p.refine(&a, DotR) && a.c.Dist(guess) < 1.5*DotR*a.scale() {
			f.sightings = append(f.sightings, sighting{mm: d, r: DotR, px: a.c})
		}
	}
	if err := f.adjust(cam); err != nil {
		return nil, torn("the marks and dots of the tray card do not lie as printed")
	}
	return f, f.check()
}

// start finds the homography of the marks for that radial term with which most
// dots are where they should.
func (p Pixels) start(l *Layout, marks []sighting) (Camera, error) {
	var best Camera
	top := -1.0
	for k := -0.16; k <= 0.161; k += 0.01 {
		cam := newCamera(p.W, p.H)
		cam.K = k
		var straight [4]Point
		for i, m := range marks[:4] {
			straight[i] = cam.unbend(m.px)
		}
		var err error
		if cam.H, err = homography(l.Marks, straight); err != nil {
			return best, err
		}
		// A dot darker than the paper round it scores; where the place is off
		// by half a dot nothing does.
		score := 0.2 * math.Exp(-sq(k/0.05)) // none seen: no distortion
		for _, d := range l.Dots {
			paper, ink := 0.0, 0.0
			ok := true
			for i := range 8 {
				s, c := math.Sincos(float64(i) * math.Pi / 4)
				q := cam.ToPicture(Point{X: d.X + 1.6*DotR*c, Y: d.Y + 1.6*DotR*s})
				v, in := p.at(q.X, q.Y)
				paper += v / 8
				q = cam.ToPicture(Point{X: d.X + 0.6*DotR*c, Y: d.Y + 0.6*DotR*s})
				w, in2 := p.at(q.X, q.Y)
				ink += w / 8
				ok = ok && in && in2
			}
			if ok && paper > 0 {
				score += max(0, (paper-ink)/paper)
			}
		}
		if score > top {
			top, best = score, cam
		}
	}
	return best, nil
}

// adjust fits the camera and leaves out dots that lie apart: covered by
// something round, or on a corner that curls.
func (f *Found) adjust(cam Camera) error {
	for range len(f.Layout.Dots)/4 + 1 {
		cam.K2 = 0
		a, err := adjust(cam, f.sightings, oneTerm)
		if err != nil {
			return err
		}
		if f.Layout.HasField() {
			if b, err := adjust(a.Camera, f.sightings, twoTerms); err == nil && b.Residual < needsTerm*a.Residual {
				a = b
			}
		}
		f.fit, cam = a, a.Camera
		var dist []float64
		worst, at := 0.0, -1
		for i, s := range f.sightings {
			if s.out {
				continue
			}
			_, least := cam.Scales(s.mm)
			d := s.px.Dist(cam.seen(s.mm, s.r)) / least
			dist = append(dist, d)
			if !s.mark && d > worst {
				worst, at = d, i
			}
		}
		if at < 0 || worst < max(0.08, 4*pixel.Median(dist)) {
			break
		}
		f.sightings[at].out = true
	}
	if !f.Layout.HasField() {
		plain := cam
		plain.K = 0
		a, err := adjust(plain, f.sightings, noTerm)
		if err != nil {
			return err
		}
		f.plain = &a.Camera
	}
	f.Dots, f.Pose = f.used-4, f.Camera.pose(f.Layout.Marks)
	return nil
}

// check refuses what would give a wrong scale.
func (f *Found) check() error {
	l := f.Layout
	switch {
	case f.Pose.Tilt > MaxTilt:
		return refusal("hold the camera more nearly above the middle of the card",
			"the camera looks at the tray card at %.0f° from straight above, more than %.0f°", deg(f.Pose.Tilt), deg(MaxTilt))
	case math.Abs(f.Camera.Radial()) > MaxRadial:
		return refusal("use the main camera, not the wide-angle one, and go farther away",
			"the lens bends the picture by up to %.0f %%, more than %.0f %%; what the fit leaves is %.2f mm", 100*math.Abs(f.Camera.Radial()), 100*MaxRadial, f.Residual)
	case float64(f.Dots) < minDots*float64(len(l.Dots)):
		return refusal("keep rice, fingers and shadows off the white rim of the card, and lay it flat",
			"only %d of the %d dots of the tray card are seen where they should be", f.Dots, len(l.Dots))
	}
	if side, seen, all := f.barest(); 2*seen < all {
		return refusal("keep rice, fingers and shadows off the white rim of the card, and lay it flat",
			"only %d of the %d dots along the %s side of the tray card are seen where they should be: covered, or the sheet is not flat", seen, all, side)
	}
	rms, worst := maxResidual, maxWorst
	if !l.HasField() {
		rms, worst = maxStripResidual, maxStripWorst
	}
	if f.Residual > rms || f.Worst > worst {
		return refusal("lay the card flat on a hard board; use the main camera, not the wide-angle one, and the whole picture",
			"the marks of the %s lie off by %.3f mm (root mean square; up to %.3f mm), more than %g mm (%g mm): the sheet is not flat, it is torn, the lens distorts, or the picture was cropped", l.Name, f.Residual, f.Worst, rms, worst)
	}
	least := math.Inf(1)
	area := l.Field
	if !l.HasField() {
		area = Rect{0, 0, l.W, l.H}
	}
	for _, c := range area.Corners() {
		_, s := f.Camera.Scales(c)
		least = min(least, s)
	}
	if least < MinPxPerMM {
		return refusal("go nearer, so that the card fills the picture, and use the camera's full resolution",
			"the tray card is shown at %.2f pixels per mm, less than %d", least, MinPxPerMM)
	}
	return nil
}

// barest returns that side of the card of whose dots the smallest share was
// used, with the number used and of all. The middle of a sheet that bulges
// leaves the dots of two sides out of place, all others and the marks in it.
func (f *Found) barest() (side string, seen, all int) {
	for _, name := range sideNames {
		used, of := 0, 0
		for _, q := range f.Layout.Dots {
			if f.Layout.Side(q) == name {
				of++
			}
		}
		for _, s := range f.sightings {
			if !s.mark && !s.out && f.Layout.Side(s.mm) == name {
				used++
			}
		}
		if of > 0 && (all == 0 || used*all < seen*of) {
			side, seen, all = name, used, of
		}
	}
	return side, seen, all
}

func deg(rad float64) float64 { return rad * 180 / math.Pi }

// LensDoubt returns by how much the scale at a card position hangs on taking
// what bends a strip card in the picture for the lens, as a share: seen from
// straight above, a strip that is not flat looks the same. It is 0 on a tray
// card, whose four sides tell one from the other.
func (f *Found) LensDoubt(q Point) float64 {
	if f.plain == nil {
		return 0
	}
	return math.Abs(f.Camera.logScale(q) - f.plain.logScale(q))
}
