package correct

import (
	"cmp"
	"fmt"
	"slices"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Measure measures a piece on a tray from its outline, as the picture side
// measures those that it found. hidden[i] tells that corner i lies on a
// dividing line towards a neighbour; faces is how many such lines there are.
type Measure func(t *kernel.Tray, outline []kernel.Point, hidden []bool, faces int) kernel.Kernel

// ColourByHand is the code of the warning that a tray has pieces without colour.
const ColourByHand = "colour_by_hand"

// Limits of what can be corrected, all of them our own choice.
const (
	mostGap     = 0.25 // between pieces of one kernel, in widths of the usual kernel
	mostArea    = 3    // of one piece, in areas of the usual kernel
	leastArea   = 16   // px²; what is smaller is too small to measure
	mostOverlap = 0.05 // of an outline that is added with kernels that are there
	restOfGroup = 0.25 // of a usual kernel: what is left of a group from which pieces were taken counts as none
)

// Apply returns the trays with the corrections laid on, and the corrections
// with what they were said of and what came of them. New pieces are measured
// by measure; where that is nil they are those that the corrections hold from
// before. Colours of new pieces are not assessed. Neither trays nor list are
// changed. Errors are *fault.Error.
func Apply(trays []kernel.Tray, list []Correction, measure Measure) ([]kernel.Tray, []Correction, error) {
	out, done := slices.Clone(trays), slices.Clone(list)
	first := make([]int, len(out)) // IDs below are of measured kernels
	for i := range out {
		t := &out[i]
		t.Kernels, t.Unresolved = slices.Clone(t.Kernels), slices.Clone(t.Unresolved)
		first[i] = nextID(t)
	}
	for i := range done {
		c := &done[i]
		fail := func(err error) ([]kernel.Tray, []Correction, error) {
			at := ""
			if len(c.At) == 2 {
				at = " at " + c.At.String()
			}
			e := fault.Of(err)
			return nil, nil, bad(e.Hint, "correction %d (%s%s): %s", i+1, c.Do, at, e.What)
		}
		if err := c.check(); err != nil {
			return fail(err)
		}
		if measure != nil {
			c.Made = nil
		}
		n := max(0, c.Picture-1)
		if c.Picture == 0 && len(out) > 1 {
			return fail(bad(fmt.Sprintf("picture: 1 to %d says which", len(out)), "the sample has several pictures"))
		} else if n >= len(out) {
			return fail(bad(fmt.Sprintf("pictures are counted from 1 to %d", len(out)), "the sample has no picture %d", c.Picture))
		}
		t := tray{&out[n], measure}
		hit, err := t.apply(c)
		if err != nil {
			return fail(err)
		}
		c.Kernels = nil
		for _, id := range hit {
			if id < first[n] {
				c.Kernels = append(c.Kernels, id)
			}
		}
	}
	for i := range out {
		n := 0
		for _, k := range out[i].Kernels {
			if k.ID >= first[i] {
				n++
			}
		}
		if n > 0 {
			out[i].Warnings = append(slices.Clone(out[i].Warnings), kernel.Warning{
				Code: ColourByHand, Text: fmt.Sprintf("the colour of pieces that were parted, joined or outlined by hand is not assessed: %d", n),
				Hint: "give them the flags that they have", Value: float64(n), Metric: "pieces",
			})
		}
	}
	return out, done, nil
}

// nextID is the first ID that no kernel of a tray has.
func nextID(t *kernel.Tray) int {
	id := 1
	for i := range t.Kernels {
		id = max(id, t.Kernels[i].ID+1)
	}
	return id
}

// A tray is one that is being corrected.
type tray struct {
	*kernel.Tray
	measure Measure
}

// apply lays one correction on and returns the IDs of the kernels that it was
// said of.
func (t *tray) apply(c *Correction) (hit []int, err error) {
	if c.Do == Add {
		return nil, t.add(c)
	}
	i, err := t.find(c.At)
	if err != nil {
		return nil, err
	}
	k := &t.Kernels[i]
	hit = []int{k.ID}
	if c.Do != Right && c.Do != Gone && c.Do != NotRice && k.Has(kernel.Foreign) && (c.Do != Unflag || c.Flag != kernel.Foreign) {
		return nil, notRice(k, c.At)
	}
	switch c.Do {
	case Whole:
		k.Called = kernel.CalledWhole
	case Broken:
		k.Called = kernel.CalledBroken
	case Flag, NotRice:
		return hit, set(k, c)
	case Unflag:
		k.Flags = slices.DeleteFunc(slices.Clone(k.Flags), func(f kernel.Flag) bool { return f == c.Flag })
		if c.Flag == kernel.Chalky {
			k.ChalkShare = 0
		}
	case Gone:
		t.Kernels = slices.Delete(t.Kernels, i, i+1)
	case Cut:
		return hit, t.cut(c, i)
	case Join:
		j, err := t.find(c.With)
		if err != nil {
			return nil, err
		}
		return append(hit, t.Kernels[j].ID), t.join(c, i, j)
	}
	return hit, nil
}

func notRice(k *kernel.Kernel, at Place) error {
	return bad(fmt.Sprintf("say first that it is rice: {do: unflag, flag: foreign, at: [%g, %g]}", at[0], at[1]), "kernel %d is not rice", k.ID)
}

// find returns the index of the kernel in whose outline a place lies.
func (t *tray) find(at Place) (int, error) {
	here := at.point()
	for i := range t.Kernels {
		if contains(t.Kernels[i].Outline, here) {
			return i, nil
		}
	}
	hint := "nothing was found on this picture; {do: add} outlines what was missed"
	if len(t.Kernels) > 0 {
		from := func(k kernel.Kernel) float64 { return here.Dist(kernel.Point{X: k.X, Y: k.Y}) }
		k := slices.MinFunc(t.Kernels, func(a, b kernel.Kernel) int { return cmp.Compare(from(a), from(b)) })
		hint = fmt.Sprintf("the nearest is kernel %d at %.0f,%.0f; places are pixels from the left and from the top", k.ID, k.X, k.Y)
	}
	return 0, bad(hint, "no kernel lies at %s", at)
}

// set gives a kernel a flag as the picture side would: what is no rice or paddy
// carries no other, and what has a name is not odd.
func set(k *kernel.Kernel, c *Correction) error {
	f := c.Flag
	if c.Do == NotRice {
		f = kernel.Foreign
	}
	switch {
	case f == kernel.Foreign || f == kernel.Paddy:
		k.Flags = []kernel.Flag{f}
		return nil
	case k.Has(kernel.Paddy):
		return bad(fmt.Sprintf("say first that it is none: {do: unflag, flag: paddy, at: [%g, %g]}", c.At[0], c.At[1]), "kernel %d is paddy", k.ID)
	case f == kernel.Chalky:
		k.ChalkShare = 1 // whatever share a standard asks for
	}
	k.Flags = slices.DeleteFunc(Flags(), func(g kernel.Flag) bool {
		return g != f && (!k.Has(g) || g == kernel.Odd)
	})
	return nil
}

// usual returns the length and width of the usual kernel in px of the picture
// as displayed, or zeros.
func (t *tray) usual() (length, width float64) {
	f := 1.0
	if t.ShownPxPerMM > 0 && t.PxPerMM > 0 {
		f = t.ShownPxPerMM / t.PxPerMM
	}
	return f * t.Look.LengthPx, f * t.Look.WidthPx
}

// A shape is an outline to be measured.
type shape struct {
	outline []kernel.Point
	hidden  []bool
	faces   int
}

// put takes kernels off the tray and lays what was made in their place.
func (t *tray) put(c *Correction, shapes []shape, off ...int) error {
	if t.measure != nil {
		id := nextID(t.Tray)
		for i, s := range shapes {
			k := t.measure(t.Tray, s.outline, s.hidden, s.faces)
			k.ID = id + i
			c.Made = append(c.Made, k)
		}
	} else if len(c.Made) != len(shapes) {
		return bad("correct the sample anew", "%d pieces are kept of it, and %d come of it", len(c.Made), len(shapes))
	}
	slices.Sort(off)
	for _, i := range slices.Backward(off) {
		t.Kernels = slices.Delete(t.Kernels, i, i+1)
	}
	t.Kernels = append(t.Kernels, c.Made...)
	return nil
}

func (t *tray) cut(c *Correction, i int) error {
	k := &t.Kernels[i]
	from, to := longest(k.Outline, c.Line[0].point(), c.Line[1].point())
	a, b, crossings := part(k.Outline, from, to)
	if crossings != 2 {
		return bad("draw it right across, from outside on one side to outside on the other", "the line does not part kernel %d in two: it crosses its outline %d times", k.ID, crossings)
	}
	for _, s := range []*shape{&a, &b} {
		s.faces = k.Contacts + 1
		if area(s.outline) < leastArea {
			return bad("draw it further inside", "the line cuts off %.0f square pixels of kernel %d, too little to measure", area(s.outline), k.ID)
		}
	}
	return t.put(c, []shape{a, b}, i)
}

func (t *tray) join(c *Correction, i, j int) error {
	a, b := &t.Kernels[i], &t.Kernels[j]
	if i == j {
		return bad("at and with are places in two pieces", "both places lie in kernel %d", a.ID)
	}
	if b.Has(kernel.Foreign) {
		return notRice(b, c.With)
	}
	outline, gap := merge(a.Outline, b.Outline)
	_, width := t.usual()
	if most := max(2, mostGap*width); gap > most {
		return bad("only pieces that lie side by side are joined", "kernels %d and %d lie %.0f px apart, more than %.0f", a.ID, b.ID, gap, most)
	}
	if outline == nil {
		return bad("take both off with {do: gone} and outline the kernel with {do: add}", "the outlines of kernels %d and %d do not fit together", a.ID, b.ID)
	}
	if err := t.plausible(outline); err != nil {
		return err
	}
	return t.put(c, []shape{{outline: outline, faces: max(0, a.Contacts+b.Contacts-2)}}, i, j)
}

func (t *tray) add(c *Correction) error {
	outline := make([]kernel.Point, len(c.Outline))
	for i, p := range c.Outline {
		q := p.point()
		if q.X < -0.5 || q.Y < -0.5 || q.X > float64(t.WidthPx)-0.5 || q.Y > float64(t.HeightPx)-0.5 {
			return bad(fmt.Sprintf("the picture has %d × %d pixels; a kernel that its edge cuts is left out", t.WidthPx, t.HeightPx), "the corner %s lies outside of the picture", p)
		}
		outline[i] = q
	}
	if !simple(outline) {
		return bad("give its corners in order, once round the kernel", "the outline crosses itself")
	}
	if area(outline) < 0 {
		slices.Reverse(outline)
	}
	if err := t.plausible(outline); err != nil {
		return err
	}
	for i := range t.Kernels {
		if k := &t.Kernels[i]; overlap(outline, k.Outline) > mostOverlap*min(area(outline), k.AreaPx2) {
			return bad("outline only what was missed, or take that kernel off first with {do: gone}", "the outline lies on kernel %d", k.ID)
		}
	}
	if err := t.put(c, []shape{{outline: outline}}); err != nil {
		return err
	}
	t.takeFromGroup(&c.Made[0])
	return nil
}

// takeFromGroup takes a piece that lies in a group which was not taken apart
// off the group's area.
func (t *tray) takeFromGroup(k *kernel.Kernel) {
	length, width := t.usual()
	for i := range t.Unresolved {
		u := &t.Unresolved[i]
		if k.X < float64(u.MinX) || k.X >= float64(u.MaxX) || k.Y < float64(u.MinY) || k.Y >= float64(u.MaxY) {
			continue
		}
		u.AreaPx2 = max(0, u.AreaPx2-k.AreaPx2)
		if u.AreaPx2 < max(leastArea, restOfGroup*length*width) {
			t.Unresolved = slices.Delete(t.Unresolved, i, i+1)
		}
		return
	}
}

// plausible refuses an outline that cannot be one kernel's.
func (t *tray) plausible(outline []kernel.Point) error {
	a := area(outline)
	length, width := t.usual()
	switch {
	case a < leastArea:
		return bad("outline the whole kernel", "an outline of %.0f square pixels is too small to measure", a)
	case length > 0 && a > mostArea*length*width:
		return bad("outline one kernel at a time", "an outline of %.0f square pixels is no single kernel's: the usual one has about %.0f", a, length*width)
	}
	return nil
}
