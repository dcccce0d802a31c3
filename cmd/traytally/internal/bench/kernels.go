package bench

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/samples"
	"traytally/samples/report"
	"traytally/samples/words"
	"traytally/vision/kernel"
)

// A document holds a sample's kernels for the page: what is drawn of each, what
// was measured and why it was judged so.
type document struct {
	Code        string               `json:"code"`
	Revision    int                  `json:"revision"`
	Present     bool                 `json:"present"` // nothing came after this revision
	Pictures    []docPicture         `json:"pictures"`
	Doubtful    []docDoubtful        `json:"doubtful"` // the most doubtful first
	Corrections []correct.Correction `json:"corrections"`
	Flags       []docName            `json:"flags"`
	Reasons     []docName            `json:"reasons"`
}

// A docPicture is one picture; lengths and places are px of it as displayed.
type docPicture struct {
	Number      int         `json:"number"`
	Name        string      `json:"name"`
	Width       int         `json:"width"`
	Height      int         `json:"height"`
	Tile        int         `json:"tile"`
	Levels      int         `json:"levels"`
	Address     string      `json:"address"`
	Crop        string      `json:"crop"`
	PxPerMM     float64     `json:"px_per_mm"` // 0: no scale
	UsualLength float64     `json:"usual_length"`
	UsualWidth  float64     `json:"usual_width"`
	Groups      [][4]int    `json:"groups"` // that were not taken apart: left, top, right, bottom
	Kernels     []docKernel `json:"kernels"`
}

type docKernel struct {
	ID       int         `json:"id"`
	At       [2]float64  `json:"at"`      // inside of the outline
	Outline  []float64   `json:"outline"` // x, y, x, y …
	Class    string      `json:"class"`
	Letter   string      `json:"letter"`
	Flags    []string    `json:"flags"`
	Shown    string      `json:"shown"`
	Doubt    float64     `json:"doubt"` // 0 to 1, see doubtsOf
	Doubts   []string    `json:"doubts"`
	Measures [][2]string `json:"measures"`
	Why      []string    `json:"why"`
	Hand     string      `json:"hand"` // "corrected", "made" or empty
}

type docDoubtful struct {
	Picture int `json:"picture"`
	Kernel  int `json:"kernel"`
	doubt   float64
}

// A docName is a code with its words.
type docName struct {
	Code string `json:"code"`
	Name string `json:"name"`
}

// A judge explains the kernels of one sample.
type judge struct {
	w       *words.Words
	res     *grading.Result
	chalky  float64            // share from which on a kernel is chalky
	learned *samples.Agreement // nil: nothing was learned
}

// documentOf describes the kernels of a record.
func documentOf(rec *samples.Record, w *words.Words, learned *samples.Agreement) (*document, error) {
	res, err := rec.Decode()
	if err != nil {
		return nil, err
	}
	trays, err := rec.Trays()
	if err != nil {
		return nil, err
	}
	j := judge{w, res, grading.DefaultProfile().Chalky.Share, learned}
	if p := res.ColourProfile; p != nil {
		j.chalky = p.Chalky.Share
	}
	d := &document{Code: rec.Code, Revision: rec.Revision, Present: true, Doubtful: []docDoubtful{}, Corrections: make([]correct.Correction, len(rec.Corrections))}
	for i, c := range rec.Corrections {
		said := c.Said()
		said.By, said.Picture = c.By, max(1, c.Picture)
		d.Corrections[i] = said
	}
	for _, f := range correct.Flags() {
		d.Flags = append(d.Flags, docName{string(f), nameOfCode(w, string(f))})
	}
	for _, r := range correct.Reasons {
		d.Reasons = append(d.Reasons, docName{r, w.T(r)})
	}
	row := 0
	for i := range trays {
		t := &trays[i]
		if row+len(t.Kernels) > len(res.Kernels) {
			return nil, fmt.Errorf("bench: sample %s has more kernels than its result", rec.Code)
		}
		p := j.picture(rec, i, t, res.Kernels[row:row+len(t.Kernels)])
		row += len(t.Kernels)
		for _, k := range p.Kernels {
			if k.Doubt > 0 {
				d.Doubtful = append(d.Doubtful, docDoubtful{p.Number, k.ID, k.Doubt})
			}
		}
		d.Pictures = append(d.Pictures, p)
	}
	slices.SortStableFunc(d.Doubtful, func(a, b docDoubtful) int { return cmp.Compare(b.doubt, a.doubt) })
	return d, nil
}

func (j *judge) picture(rec *samples.Record, i int, t *kernel.Tray, rows []grading.KernelRow) docPicture {
	pic := &rec.Pictures[i]
	q := "?picture=" + strconv.Itoa(i+1) + "&v=" + pic.SHA256[:min(12, len(pic.SHA256))]
	p := docPicture{
		Number: i + 1, Name: report.Visible(filepath.Base(pic.Path)), Width: t.WidthPx, Height: t.HeightPx,
		Tile: tileSize, Levels: levelsOf(t.WidthPx, t.HeightPx),
		Address: "/sample/" + url.PathEscape(rec.Code) + "/tile" + q, Crop: "/sample/" + url.PathEscape(rec.Code) + "/crop" + q,
		PxPerMM: t.ShownPxPerMM, Groups: [][4]int{}, Kernels: make([]docKernel, len(rows)),
	}
	if p.PxPerMM == 0 {
		p.PxPerMM = t.PxPerMM
	}
	shown := 1.0
	if t.ShownPxPerMM > 0 && t.PxPerMM > 0 {
		shown = t.ShownPxPerMM / t.PxPerMM
	}
	p.UsualLength, p.UsualWidth = rounded(shown*t.Look.LengthPx, 1), rounded(shown*t.Look.WidthPx, 1)
	for _, u := range t.Unresolved {
		p.Groups = append(p.Groups, [4]int{u.MinX, u.MinY, u.MaxX, u.MaxY})
	}
	corrected, made := map[int]bool{}, map[int]bool{}
	for _, c := range rec.Corrections {
		if max(1, c.Picture) != i+1 {
			continue
		}
		for _, id := range c.Kernels {
			corrected[id] = true
		}
		for _, k := range c.Made {
			made[k.ID] = true
		}
	}
	for n := range rows {
		r, k := &rows[n], &t.Kernels[n]
		d := &p.Kernels[n]
		at := correct.Inside(k.Outline)
		*d = docKernel{
			ID: r.ID, At: [2]float64{rounded(at[0], 2), rounded(at[1], 2)}, Class: string(r.Class), Letter: report.Letter(r.Class),
			Flags: r.Flags, Shown: j.shown(r), Measures: j.measures(r), Why: j.why(r), Outline: make([]float64, 0, 2*len(k.Outline)),
		}
		for _, q := range k.Outline {
			d.Outline = append(d.Outline, rounded(q.X, 1), rounded(q.Y, 1))
		}
		switch {
		case made[r.ID]:
			d.Hand = "made"
		case corrected[r.ID]:
			d.Hand = "corrected"
		}
		if d.Hand == "" { // who looked has no doubt left
			d.Doubt, d.Doubts = j.doubtsOf(r, k)
		}
		if d.Doubts == nil {
			d.Doubts = []string{}
		}
	}
	return p
}

func rounded(v float64, decimals int) float64 {
	f := math.Pow10(decimals)
	return math.Round(v*f) / f
}

// Words that are called by a variable: what tips look like (grading.KernelRow),
// reasons (correct.Reasons), classes and flags.
var _ = []string{
	words.Key("rounded"), words.Key("pointed"), words.Key("germ"), words.Key("square"), words.Key("oblique"), words.Key("chipped"), words.Key("unknown"),
	words.Key("misjudged"), words.Key("touching kernels"), words.Key("missed kernel"), words.Key("dust or reflection"), words.Key("not rice"), words.Key("checked by hand"),
	words.Key("head"), words.Key("large broken"), words.Key("medium broken"), words.Key("small broken"), words.Key("chip"), words.Key("broken"),
	words.Key("chalky"), words.Key("yellow"), words.Key("red"), words.Key("red streaked"), words.Key("damaged"), words.Key("paddy"), words.Key("odd"), words.Key("foreign"),
}

// nameOfCode returns the words of a class, a flag or a kind of correction.
func nameOfCode(w *words.Words, code string) string {
	return w.T(strings.ReplaceAll(code, "_", " "))
}

// shown says what a kernel was judged as.
func (j *judge) shown(r *grading.KernelRow) string {
	parts := []string{wordsOf(j.w, string(r.Class))}
	for _, f := range r.Flags {
		if f != string(kernel.Foreign) {
			parts = append(parts, nameOfCode(j.w, f))
		}
	}
	return strings.Join(parts, ", ")
}

func (j *judge) measures(r *grading.KernelRow) (out [][2]string) {
	w := j.w
	add := func(label string, v float64, decimals int, unit string) {
		if v > 0 {
			out = append(out, [2]string{label, w.Number(v, decimals) + unit})
		}
	}
	if r.LengthMM > 0 {
		add(w.T("Length"), r.LengthMM, 2, " mm")
		add(w.T("Width"), r.WidthMM, 2, " mm")
	} else {
		add(w.T("Length"), r.LengthPx, 1, " px")
		add(w.T("Width"), r.WidthPx, 1, " px")
	}
	add(w.T("Of the mean whole length"), r.LengthRatio, 3, "")
	add(w.T("Chalk"), 100*r.ChalkShare, 0, " %")
	if r.Lab != [3]float64{} { // pieces that were parted by hand have none
		out = append(out, [2]string{w.T("Colour L* a* b*"), w.Number(r.Lab[0], 1) + "  " + w.Number(r.Lab[1], 1) + "  " + w.Number(r.Lab[2], 1)})
	}
	return out
}

// why says by what a kernel became what it is shown as.
func (j *judge) why(r *grading.KernelRow) []string {
	w, out := j.w, []string{}
	say := func(english string, a ...any) { out = append(out, w.T(english, a...)) }
	cut := w.Number(j.res.Params.Cut, -1)
	ratio := w.Number(r.LengthRatio, 3)
	switch {
	case r.Class == grading.ForeignBody:
		say(words.Key("It does not look like rice, so it is in no share of the rice."))
	case r.Called == kernel.CalledWhole:
		say(words.Key("A person called it whole."))
	case r.Called == kernel.CalledBroken:
		say(words.Key("A person called it broken; its size goes by its length."))
	case r.Class == grading.Untold && r.LengthRatio > 0:
		say(words.Key("Another kernel may lie on it: it has %s of the mean whole length or more, and may be whole or broken."), ratio)
	case r.Class == grading.Untold:
		say(words.Key("Without a whole-kernel length its ends decide, and they do not tell."))
	case r.Class == grading.AnyBroken:
		say(words.Key("An end looks fractured; without a whole-kernel length its size is not told."))
	case r.Class == grading.Chip:
		say(words.Key("It has %s of the mean whole length and would fall through a round hole of %s mm."), ratio, w.Number(j.res.Params.ChipHoleMM, -1))
	default:
		say(words.Key("It has %s of the mean whole length; whole counts from %s on."), ratio, cut)
	}
	if r.Class != grading.ForeignBody && r.Called == "" {
		seen := [2]string{}
		for i, tip := range r.Tips {
			seen[i] = w.T(tip)
		}
		say(words.Key("Its ends look: %s; %s."), seen[0], seen[1])
	}
	for _, f := range r.Flags {
		if kernel.Flag(f) == kernel.Chalky {
			say(words.Key("Chalky: %s %% of what is seen is opaque; from %s %% on it counts."), w.Number(100*r.ChalkShare, 0), w.Number(100*j.chalky, 0))
		} else if text, ok := flagReasons[kernel.Flag(f)]; ok {
			say(text)
		}
	}
	return out
}

// flagReasons say what a flag goes by, but for chalk, which is counted.
var flagReasons = map[kernel.Flag]string{
	kernel.Yellow: words.Key("Yellow: its colour as a whole is beyond what sound kernels of this sample show."),
	kernel.Red:    words.Key("Red bran is seen on it."), kernel.RedStreaked: words.Key("Red bran is seen on it."),
	kernel.Damaged: words.Key("Damaged: a dark spot or a stain is seen on it."),
	kernel.Paddy:   words.Key("Paddy: it is as brown as husk, or brownish and longer than rice without husk."),
	kernel.Odd:     words.Key("Its colour is beyond what sound kernels of this sample show; the kind is not told."),
}

// Doubts are only for the order in which kernels are offered to be looked at.
// All figures are our own choice but those from the sample's own lengths and
// from what people changed.
const (
	untoldDoubt = 0.9  // it may be either
	againstEnds = 0.7  // the ends tell otherwise than the length
	coverDoubt  = 0.5  // another kernel seems to lie on it
	flagDoubt   = 0.3  // a flag is seldom, and weighs
	chalkNear   = 0.08 // share: closer to the limit than surfaces are measured
	chalkDoubt  = 0.6
	facesDoubt  = 0.05 // for each face at which it was parted from a neighbour
	leastDoubt  = 0.2  // what has less is not offered
	sureEnd     = 0.9  // chance of a fracture from which on an end tells
	enoughLooks = 20   // kernels looked at, from which on what people changed counts
)

// doubtsOf returns how much a second look at a kernel may be worth, 0 to 1, and
// why.
func (j *judge) doubtsOf(r *grading.KernelRow, k *kernel.Kernel) (doubt float64, why []string) {
	w := j.w
	say := func(d float64, english string, a ...any) {
		if d >= leastDoubt {
			doubt = max(doubt, d)
			why = append(why, w.T(english, a...))
		}
	}
	ref := &j.res.Reference
	if r.Class == grading.ForeignBody {
		say(flagDoubt, words.Key("called not rice"))
		return doubt, why
	}
	if r.Class == grading.Untold {
		say(untoldDoubt, words.Key("whole or broken is not told"))
	}
	if cut := j.res.Params.Cut; r.LengthRatio > 0 && ref.Length > 0 {
		unit := r.Length() / max(k.LengthPx, 1) // of a px
		se := math.Hypot(k.LengthSDPx*unit/ref.Length, r.LengthRatio*ref.SE/ref.Length)
		if se > 0 {
			z := math.Abs(r.LengthRatio-cut) / se
			say(2*distuv.UnitNormal.Survival(z), words.Key("near the limit: %s of the mean whole length, the limit is %s"), w.Number(r.LengthRatio, 3), w.Number(cut, -1))
		}
		fractured, grown := max(r.FractureChance[0], r.FractureChance[1]), min(r.FractureChance[0], r.FractureChance[1])
		switch {
		case r.Class == grading.Head && fractured >= sureEnd && r.LengthRatio < 1:
			say(againstEnds*(1-(r.LengthRatio-cut)/(1-cut)), words.Key("long enough to be whole, but an end looks fractured"))
		case r.Class == grading.LargeBroken && fractured <= 1-sureEnd && grown < 0.5:
			say(againstEnds, words.Key("short, but neither end looks fractured"))
		}
	}
	if k.CoveredShare > 0 {
		say(coverDoubt*min(1, k.CoveredShare/0.3), words.Key("another kernel seems to lie on it"))
	}
	if k.Contacts > 0 {
		say(facesDoubt*float64(k.Contacts), words.Key("touches others; the line between them was drawn by the program"))
	}
	if d := math.Abs(r.ChalkShare - j.chalky); r.ChalkShare > 0 && d < chalkNear {
		say(chalkDoubt*(1-d/chalkNear), words.Key("chalk near the limit: %s %%, the limit is %s %%"), w.Number(100*r.ChalkShare, 0), w.Number(100*j.chalky, 0))
	}
	for _, f := range r.Flags {
		if f != string(kernel.Chalky) {
			say(flagDoubt, words.Key("flagged %s"), nameOfCode(w, f))
		}
		j.learn(samples.CallFlag, f, say)
	}
	j.learn(samples.CallClass, string(r.Class), say)
	return doubt, why
}

// learn tells how often people changed such a call.
func (j *judge) learn(kind, name string, say func(float64, string, ...any)) {
	if j.learned == nil {
		return
	}
	for _, c := range j.learned.Calls {
		if c.Kind == kind && c.Name == name && c.Looked >= enoughLooks {
			say(c.ChangedPct.Value/100, words.Key("of %d such calls that people looked at, %d were changed"), c.Looked, c.Changed)
		}
	}
}
