package grading

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"

	"traytally/grading/standards"
	"traytally/vision/kernel"
)

// A Profile holds every limit by which colours and shapes become flags. What
// each means, its range and where its default comes from stands in
// ProfileLimits. Surface belongs to the measurement and is handed to the
// picture side; the rest decides. Start from DefaultProfile; zero values are
// not defaults.
type Profile struct {
	Name    string               `yaml:"name" json:"name"`
	Surface kernel.SurfaceLimits `yaml:"surface" json:"surface"`
	Chalky  ChalkyLimits         `yaml:"chalky" json:"chalky"`
	Yellow  YellowLimits         `yaml:"yellow" json:"yellow"`
	Red     RedLimits            `yaml:"red" json:"red"`
	Damaged DamagedLimits        `yaml:"damaged" json:"damaged"`
	Paddy   PaddyLimits          `yaml:"paddy" json:"paddy"`
	Foreign ForeignLimits        `yaml:"foreign" json:"foreign"`
}

// ChalkyLimits are the limits of kernel.Chalky; see ProfileLimits.
type ChalkyLimits struct {
	Share float64 `yaml:"share" json:"share"`
}

// YellowLimits are the limits of kernel.Yellow; see ProfileLimits.
type YellowLimits struct {
	Share     float64 `yaml:"share" json:"share"`
	Shift     float64 `yaml:"shift" json:"shift"`
	AbsoluteB float64 `yaml:"absolute_b" json:"absolute_b"`
}

// RedLimits are the limits of kernel.Red and kernel.RedStreaked; see
// ProfileLimits.
type RedLimits struct {
	Share  float64 `yaml:"share" json:"share"`
	Streak float64 `yaml:"streak" json:"streak"`
}

// DamagedLimits are the limits of kernel.Damaged; see ProfileLimits.
type DamagedLimits struct {
	Dark  float64 `yaml:"dark" json:"dark"`
	Spot  float64 `yaml:"spot" json:"spot"`
	Spots float64 `yaml:"spots" json:"spots"`
	Stain float64 `yaml:"stain" json:"stain"`
}

// PaddyLimits are the limits of kernel.Paddy; see ProfileLimits.
type PaddyLimits struct {
	Straw       float64 `yaml:"straw" json:"straw"`
	PaleB       float64 `yaml:"pale_b" json:"pale_b"`
	Length      float64 `yaml:"length" json:"length"`
	Width       float64 `yaml:"width" json:"width"`
	AmberLength float64 `yaml:"amber_length" json:"amber_length"`
	Shift       float64 `yaml:"shift" json:"shift"`
}

// ForeignLimits are the limits of kernel.Foreign; see ProfileLimits.
type ForeignLimits struct {
	HuskSlender float64 `yaml:"husk_slender" json:"husk_slender"`
	HuskWidth   float64 `yaml:"husk_width" json:"husk_width"`
	HuskLength  float64 `yaml:"husk_length" json:"husk_length"`
	HuskStraw   float64 `yaml:"husk_straw" json:"husk_straw"`
	Strange     float64 `yaml:"strange" json:"strange"`
	Length      float64 `yaml:"length" json:"length"`
	Width       float64 `yaml:"width" json:"width"`
	Short       float64 `yaml:"short" json:"short"`
	Aspect      float64 `yaml:"aspect" json:"aspect"`
	Narrow      float64 `yaml:"narrow" json:"narrow"`
	Round       float64 `yaml:"round" json:"round"`
	Whole       float64 `yaml:"whole" json:"whole"`
	Drop        float64 `yaml:"drop" json:"drop"`
	Red         float64 `yaml:"red" json:"red"`
	Near        float64 `yaml:"near" json:"near"`
	Deep        float64 `yaml:"deep" json:"deep"`
	GreyRed     float64 `yaml:"grey_red" json:"grey_red"`
	Rough       float64 `yaml:"rough" json:"rough"`
	RoughWidth  float64 `yaml:"rough_width" json:"rough_width"`
}

// A ProfileLimit describes one limit of a Profile.
type ProfileLimit struct {
	Key       string // section and name in the file: "yellow.share"
	Unit      string
	Low, High float64 // range, inclusive
	Default   float64
	Means     string
	Origin    string // where the default comes from
	at        func(*Profile) *float64
}

// Value returns the limit's value in p.
func (l *ProfileLimit) Value(p *Profile) float64 { return *l.at(p) }

// Set changes the limit's value in p.
func (l *ProfileLimit) Set(p *Profile, v float64) { *l.at(p) = v }

// Origins that several limits share.
const (
	rendered = "midway between the classes on rendered trays"
	ours     = "our own choice"
	anyRed   = "Codex CXS 198, annex: red bran on more than a quarter (from memory)"
)

// ProfileLimits lists every limit of a Profile in the order of its file.
// Shares are of the visible surface. "Usual" is the sample's own most frequent
// kernel, the yardstick of all colours.
var ProfileLimits = []ProfileLimit{
	{"surface.yellow_shift", "b*", 2, 40, 6, "rise of b* over the usual kernel, at its lightness, from which on a place is yellow or brown; four standard deviations of usual kernels where that is more",
		"chroma 6 above the usual kernel is visibly yellow (from memory)", func(p *Profile) *float64 { return &p.Surface.YellowShift }},
	{"surface.red_shift", "a*", 2, 40, 5, "rise of a* from which on a place is red",
		"red bran reads a* above 5 (from memory)", func(p *Profile) *float64 { return &p.Surface.RedShift }},
	{"surface.red_sector", "b* per a*", 0.5, 4, 1.2, "rise of b* per rise of a* above which a place is yellow and not red",
		rendered + ": red bran up to 0.9, yellowed kernels from 1.5", func(p *Profile) *float64 { return &p.Surface.RedSector }},
	{"surface.streak_shift", "a*", 1, 40, 2.2, "rise of a* over its own kernel from which on a darker place belongs to a red streak; 3.5 standard deviations of the noise where that is more",
		"a streak half as wide as a cell of the grid, on rendered trays", func(p *Profile) *float64 { return &p.Surface.StreakShift }},
	{"surface.red_full", "a*", 2, 60, 15, "rise of a* of full red bran; a place with less counts in part, as at the edge of a streak",
		"half to two thirds of the rise on rendered trays", func(p *Profile) *float64 { return &p.Surface.RedFull }},
	{"surface.black", "share of L*+16", 0.3, 0.9, 0.63, "share of the usual L*+16 below which a place is dark whatever its hue",
		ours + ": a quarter of the usual luminance, whose cube root it is", func(p *Profile) *float64 { return &p.Surface.Black }},
	{"surface.dark_drop", "L*", 8, 60, 15, "how much darker than its kernel a spot is",
		ours + ": about half of the luminance is lost", func(p *Profile) *float64 { return &p.Surface.DarkDrop }},
	{"surface.chalk_step", "L*", 3, 30, 6, "least step from a translucent to an opaque part of one kernel",
		"half of the step on rendered trays", func(p *Profile) *float64 { return &p.Surface.ChalkStep }},

	{"chalky.share", "share", 0.05, 1, 0.5, "opaque white share from which on a kernel is chalky",
		"7 CFR 868.302(c): one half or more; Codex CXS 198 has three quarters (from memory). Standards in use apply their own",
		func(p *Profile) *float64 { return &p.Chalky.Share }},

	{"yellow.share", "share", 0.05, 1, 0.5, "yellow share from which on a kernel is yellow, not stained",
		"EU 1308/2013 calls a strong stain on half of the grain a yellow grain (from memory)", func(p *Profile) *float64 { return &p.Yellow.Share }},
	{"yellow.shift", "CIEDE2000", 1, 60, 5, "distance of hue and chroma from the usual kernel from which on it is yellow",
		ours + ": a difference of 5 is plain to see", func(p *Profile) *float64 { return &p.Yellow.Shift }},
	{"yellow.absolute_b", "b*", 0, 80, 0, "b* from which on a kernel is yellow whatever the usual one looks like; only on calibrated pictures; 0 turns it off",
		"off: raw and parboiled rice have no common value", func(p *Profile) *float64 { return &p.Yellow.AbsoluteB }},

	{"red.share", "share", 0, 1, 0.25, "red share above which a kernel is red", anyRed, func(p *Profile) *float64 { return &p.Red.Share }},
	{"red.streak", "share of the length", 0.05, 2, 0.5, "total length of red streaks from which on a kernel that is not red is red-streaked",
		"Codex CXS 198, annex: half of the kernel's length (from memory)", func(p *Profile) *float64 { return &p.Red.Streak }},

	{"damaged.dark", "share", 0.005, 1, 0.02, "dark share, all spots together, from which on a kernel is damaged",
		ours + ": three spots of 0.3 mm on a long kernel", func(p *Profile) *float64 { return &p.Damaged.Dark }},
	{"damaged.spot", "share", 0.004, 1, 0.006, "share of one dark spot from which on a kernel is damaged",
		ours + ": a spot of 0.3 mm on a long kernel; standards give no size", func(p *Profile) *float64 { return &p.Damaged.Spot }},
	{"damaged.spots", "spots", 1, 100, 3, "number of dark spots from which on a kernel is damaged, however small they are",
		ours, func(p *Profile) *float64 { return &p.Damaged.Spots }},
	{"damaged.stain", "share", 0.02, 1, 0.12, "yellow to brown share from which on a kernel is stained, which counts as damaged, as long as it is not yellow or red",
		ours + ": standards disagree; 7 CFR 868 does not count light stains", func(p *Profile) *float64 { return &p.Damaged.Stain }},

	{"paddy.straw", "L*", 0, 60, 14.2, "how much darker than usual, in L*, plus 1 for every 2° that the hue of its shift is below 77°, up to 3, a kernel in its husk is",
		rendered + ": yellowed kernels up to 14, paddy no larger than milled rice from 14.7", func(p *Profile) *float64 { return &p.Paddy.Straw }},
	{"paddy.pale_b", "b*", 0, 60, 16, "b* of the usual kernel up to which paddy is told by that sum: in an amber sample heat-damaged rice is as brown as husk",
		"raw milled rice has b* 8 to 14, parboiled 18 to 28 (from memory)", func(p *Profile) *float64 { return &p.Paddy.PaleB }},
	{"paddy.length", "usual lengths", 1.02, 3, 1.15, "length from which on a large brownish kernel is paddy",
		"rough rice is 1.3 times as long as milled (Cereals Processing Technology, Woodhead 2001, table 5.1); midway", func(p *Profile) *float64 { return &p.Paddy.Length }},
	{"paddy.width", "usual widths", 1, 3, 1.06, "width that goes with it",
		"the same table: 1.15 times as wide", func(p *Profile) *float64 { return &p.Paddy.Width }},
	{"paddy.amber_length", "usual lengths", 1.02, 3, 1.25, "length from which on that holds in an amber sample whatever the hue",
		"the same table, towards the larger value", func(p *Profile) *float64 { return &p.Paddy.AmberLength }},
	{"paddy.shift", "CIEDE2000", 0, 60, 2, "distance of hue and chroma that goes with it",
		ours + ": in an amber sample husk differs little", func(p *Profile) *float64 { return &p.Paddy.Shift }},

	{"foreign.husk_slender", "share", 1, 4, 1.33, "length over width, in that of the usual kernel, from which on a straw-coloured piece is husk",
		ours + ": paddy 1.14, a kernel on its side 1.25 (Woodhead 2001, table 5.1)", func(p *Profile) *float64 { return &p.Foreign.HuskSlender }},
	{"foreign.husk_width", "usual widths", 0.2, 1.2, 0.9, "width below which such a piece is husk",
		ours + ": an opened husk lies on its side", func(p *Profile) *float64 { return &p.Foreign.HuskWidth }},
	{"foreign.husk_length", "usual lengths", 0.5, 3, 1.04, "length from which on it is husk whatever the sum below says",
		ours + ": a splinter of yellow rice is no longer than a kernel", func(p *Profile) *float64 { return &p.Foreign.HuskLength }},
	{"foreign.husk_straw", "L*", 0, 60, 11, "the same sum as paddy.straw, for pieces that slender",
		rendered, func(p *Profile) *float64 { return &p.Foreign.HuskStraw }},
	{"foreign.strange", "chroma", 3, 90, 12, "chroma from which on a blue, violet or green piece is no rice",
		ours, func(p *Profile) *float64 { return &p.Foreign.Strange }},
	{"foreign.length", "usual lengths", 1.2, 10, 1.8, "length above which a piece is no rice",
		ours + ": paddy of bold rice reaches 1.5", func(p *Profile) *float64 { return &p.Foreign.Length }},
	{"foreign.width", "usual widths", 1.2, 10, 1.6, "width above which a piece is no rice",
		ours, func(p *Profile) *float64 { return &p.Foreign.Width }},
	{"foreign.short", "usual lengths", 0.1, 1, 0.6, "length below which a dark or grey piece may be a stone or a seed",
		ours, func(p *Profile) *float64 { return &p.Foreign.Short }},
	{"foreign.aspect", "length over width", 1, 5, 1.6, "length over width that goes with it",
		ours, func(p *Profile) *float64 { return &p.Foreign.Aspect }},
	{"foreign.narrow", "usual widths", 0, 1.2, 0.65, "width below which it may be longer than that",
		ours + ": a broken kernel is as wide as it was", func(p *Profile) *float64 { return &p.Foreign.Narrow }},
	{"foreign.round", "share", 0.5, 1.2, 0.92, "area of the hull over that of an ellipse as long and wide, from which on a dark short piece is a seed or a stone and not a broken kernel",
		rendered + ": fragments 0.75 to 0.9, seeds 0.98", func(p *Profile) *float64 { return &p.Foreign.Round }},
	{"foreign.drop", "L*", 3, 80, 12, "how much darker than usual a grey stone is",
		ours + ": five times the spread of sound kernels", func(p *Profile) *float64 { return &p.Foreign.Drop }},
	{"foreign.whole", "share", 0.5, 1.2, 0.975, "that share from which on it is a seed whatever its ends look like",
		rendered, func(p *Profile) *float64 { return &p.Foreign.Whole }},
	{"foreign.red", "a*", 2, 60, 10, "rise of a* over the usual kernel up to which a short, darker piece is a brown stone and not red rice",
		"red bran on rendered trays reads 12 or more, brown stones up to 9", func(p *Profile) *float64 { return &p.Foreign.Red }},
	{"foreign.near", "L*", 0, 20, 2, "how much darker than surface.black a short piece still is a brown or grey stone",
		rendered + ": brown stones reach 4 below, black rice begins 3 below", func(p *Profile) *float64 { return &p.Foreign.Near }},
	{"foreign.deep", "L*", 0, 40, 10, "how much darker than surface.black a short piece still is a grey stone, where its hue is grey",
		rendered + ": grey stones reach 9 below", func(p *Profile) *float64 { return &p.Foreign.Deep }},
	{"foreign.grey_red", "a*", -10, 20, 2, "rise of a* up to which its hue is grey",
		rendered + ": black rice 1 to 6, and yellower", func(p *Profile) *float64 { return &p.Foreign.GreyRed }},
	{"foreign.rough", "usual grains", 1, 10, 1.35, "scatter of L* over the surface, in that of the usual kernel, from which on a brownish piece that is too narrow for paddy is husk",
		rendered + ": yellowed kernels up to 1.27, ribbed husk from 1.23", func(p *Profile) *float64 { return &p.Foreign.Rough }},
	{"foreign.rough_width", "usual widths", 0.2, 1.2, 0.93, "width below which such a piece is husk",
		ours + ": rough rice is 1.15 times as wide as milled (Woodhead 2001, table 5.1)", func(p *Profile) *float64 { return &p.Foreign.RoughWidth }},
}

// DefaultProfile returns the profile the tool starts from.
func DefaultProfile() Profile {
	p := Profile{Name: "default"}
	for i := range ProfileLimits {
		ProfileLimits[i].Set(&p, ProfileLimits[i].Default)
	}
	return p
}

// ErrProfile is the cause where a profile is not usable.
var ErrProfile = errors.New("bad colour profile")

// Validate returns an *InputError wrapping ErrProfile for the first limit out
// of its range, or nil.
func (p *Profile) Validate() error {
	for i := range ProfileLimits {
		l := &ProfileLimits[i]
		if v := l.Value(p); !(v >= l.Low && v <= l.High) {
			return &InputError{
				What: fmt.Sprintf("%s is %g, not in %g to %g", l.Key, v, l.Low, l.High),
				Hint: fmt.Sprintf("%s is the %s; its default is %g", l.Key, l.Means, l.Default),
				Err:  ErrProfile,
			}
		}
	}
	return nil
}

// maxProfileBytes caps a profile file; a written one has 5 kB.
const maxProfileBytes = 1 << 20

// ReadProfile reads a profile file. Limits that it leaves out keep their
// defaults; keys it does not know are an error.
func ReadProfile(path string) (Profile, error) {
	data, err := readCapped(path)
	if err != nil {
		return Profile{}, err
	}
	return DecodeProfile(path, data)
}

func readCapped(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		hint := "check the name and the directory"
		if !errors.Is(err, fs.ErrNotExist) {
			hint = "check who may read it"
		}
		return nil, &InputError{What: path + ": the profile cannot be opened", Hint: hint, Err: err}
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxProfileBytes+1))
	switch {
	case err != nil:
		return nil, &InputError{What: path + ": the profile cannot be read", Hint: "name a profile file", Err: err}
	case len(data) > maxProfileBytes:
		return nil, &InputError{What: fmt.Sprintf("%s: more than %d bytes, too long for a profile", path, maxProfileBytes), Hint: "name a profile file", Err: ErrProfile}
	}
	return data, nil
}

// DecodeProfile is ReadProfile for bytes in memory; name stands for the path.
func DecodeProfile(name string, data []byte) (Profile, error) {
	p := DefaultProfile()
	p.Name = ""
	if problems := standards.Decode(name, data, &p); len(problems) > 0 {
		e := &InputError{What: problems.Error(), Hint: problems.Hint(), Err: ErrProfile}
		if e.Hint == "" {
			e.Hint = "write the default profile to a file and change numbers in it"
		}
		return Profile{}, e
	}
	if err := p.Validate(); err != nil {
		e := err.(*InputError)
		e.What = name + ": " + e.What
		return Profile{}, e
	}
	if p.Name == "" {
		p.Name = name
	}
	return p, nil
}

// Encode writes p as a file that ReadProfile reads, each limit with its
// meaning and origin. Limits that differ from the default say so.
func (p *Profile) Encode(w io.Writer) error {
	var b bytes.Buffer
	b.WriteString("# Limits by which colours and shapes become flags. Shares are of the visible\n" +
		"# surface; \"usual\" is the sample's own most frequent kernel. A limit left out\n" +
		"# keeps its default.\n")
	fmt.Fprintf(&b, "name: %s\n", strconv.Quote(p.Name))
	section := ""
	for i := range ProfileLimits {
		l := &ProfileLimits[i]
		s, key, _ := strings.Cut(l.Key, ".")
		if s != section {
			fmt.Fprintf(&b, "\n%s:\n", s)
			section = s
		}
		v := l.Value(p)
		wrap(&b, "  # ", fmt.Sprintf("%s [%s, %g to %g]", l.Means, l.Unit, l.Low, l.High))
		if v == l.Default {
			wrap(&b, "  # ", "origin: "+l.Origin)
		} else {
			wrap(&b, "  # ", fmt.Sprintf("changed from the default of %g", l.Default))
		}
		fmt.Fprintf(&b, "  %s: %s\n", key, strconv.FormatFloat(v, 'g', -1, 64))
	}
	_, err := w.Write(b.Bytes())
	return err
}

// wrap writes text in lines of up to 88 characters, each after the lead.
func wrap(b *bytes.Buffer, lead, text string) {
	line := 0
	for _, word := range strings.Fields(text) {
		switch {
		case line == 0:
			b.WriteString(lead)
			line = len(lead)
		case line+1+len(word) > 88:
			b.WriteString("\n" + lead)
			line = len(lead)
		default:
			b.WriteByte(' ')
			line++
		}
		b.WriteString(word)
		line += len(word)
	}
	b.WriteByte('\n')
}
