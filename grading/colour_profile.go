package grading

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/text"

	"traytally/grading/standards"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// A Profile holds every limit by which colours and shapes become flags. What
// each means, its range and where its default comes from stands in
// ProfileLimits. Surface belongs to the measurement and is handed to the
// picture side; the rest decides. Start from DefaultProfile; zero values are
// not defaults.
type Profile struct {
	Name    string               `yaml:"name" json:"name"`
	Odd     OddLimits            `yaml:"odd" json:"odd"`
	Surface kernel.SurfaceLimits `yaml:"surface" json:"surface"`
	Chalky  struct {
		Share float64 `yaml:"share" json:"share"`
	} `yaml:"chalky" json:"chalky"`
	Yellow struct {
		AbsoluteB float64 `yaml:"absolute_b" json:"absolute_b"`
	} `yaml:"yellow" json:"yellow"`
	Red struct {
		Share  float64 `yaml:"share" json:"share"`
		Streak float64 `yaml:"streak" json:"streak"`
	} `yaml:"red" json:"red"`
	Damaged struct {
		Spot  float64 `yaml:"spot" json:"spot"`
		Stain float64 `yaml:"stain" json:"stain"`
	} `yaml:"damaged" json:"damaged"`
	Paddy struct {
		Length float64 `yaml:"length" json:"length"`
	} `yaml:"paddy" json:"paddy"`
	Foreign struct {
		Chance float64 `yaml:"chance" json:"chance"`
	} `yaml:"foreign" json:"foreign"`
}

// OddLimits say what is beyond the yardstick, and when it gets a name; see
// ProfileLimits.
type OddLimits struct {
	Rate  float64 `yaml:"rate" json:"rate"`
	Plain float64 `yaml:"plain" json:"plain"`
	Clear float64 `yaml:"clear" json:"clear"`
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

const (
	ours   = "our own choice"
	anyRed = "Codex CXS 198, annex: red bran on more than a quarter (from memory)"
)

// ProfileLimits lists every limit of a Profile in the order of its file.
// Shares are of the visible surface. "Usual" is the sample's own most frequent
// kernel, the yardstick of all colours.
var ProfileLimits = []ProfileLimit{
	{"odd.rate", "share", 0.0001, 0.05, 0.002, "share of sound kernels that each look at them may find odd: colours and marks count only beyond what so many of the sample's own kernels show",
		ours + ": 1 in 500; a false flag costs more than one missed", func(p *Profile) *float64 { return &p.Odd.Rate }},
	{"odd.plain", "CIEDE2000", 1, 60, 5, "least distance from the usual kernel of one that is odd by its colour as a whole",
		ours + ": a difference of 5 is plain to see", func(p *Profile) *float64 { return &p.Odd.Plain }},
	{"odd.clear", "ratio", 1, 5, 1.2, "how much farther the second-nearest name of a colour must be than the nearest; else it is odd, kind not told",
		ours, func(p *Profile) *float64 { return &p.Odd.Clear }},

	{"surface.yellow_shift", "b*", 2, 40, 6, "rise of b* over its own kernel, at equal lightness, from which on a place is stained",
		"chroma 6 above the usual kernel is visibly yellow (from memory)", func(p *Profile) *float64 { return &p.Surface.YellowShift }},
	{"surface.red_shift", "a*", 2, 40, 5, "rise of a* from which on a place is red; in a streak, which is darker too, 0.45 of it",
		"red bran reads a* above 5 (from memory)", func(p *Profile) *float64 { return &p.Surface.RedShift }},
	{"surface.dark_drop", "L*", 8, 60, 15, "how much darker than its kernel a spot is",
		ours + ": about half of the luminance is lost", func(p *Profile) *float64 { return &p.Surface.DarkDrop }},
	{"surface.chalk_step", "L*", 3, 30, 6, "least step from a translucent to an opaque part of one kernel",
		"half of the step on rendered trays", func(p *Profile) *float64 { return &p.Surface.ChalkStep }},

	{"chalky.share", "share", 0.05, 1, 0.5, "opaque white share from which on a kernel is chalky",
		"7 CFR 868.302(c): one half or more; Codex CXS 198 has three quarters (from memory). Standards in use apply their own",
		func(p *Profile) *float64 { return &p.Chalky.Share }},
	{"yellow.absolute_b", "b*", 0, 80, 0, "b* from which on a kernel is yellow whatever the usual one looks like; only on calibrated pictures; 0 turns it off",
		"off: raw and parboiled rice have no common value", func(p *Profile) *float64 { return &p.Yellow.AbsoluteB }},
	{"red.share", "share", 0, 1, 0.25, "red share from which on a kernel is red", anyRed, func(p *Profile) *float64 { return &p.Red.Share }},
	{"red.streak", "share of the length", 0.05, 2, 0.5, "total length of red streaks from which on a kernel that is not red is red-streaked",
		"Codex CXS 198, annex: half of the kernel's length (from memory)", func(p *Profile) *float64 { return &p.Red.Streak }},
	{"damaged.spot", "share", 0.004, 1, 0.006, "share of the largest dark spot, or a third of all, from which on a kernel is damaged",
		ours + ": a spot of 0.3 mm on a long kernel; standards give no size", func(p *Profile) *float64 { return &p.Damaged.Spot }},
	{"damaged.stain", "share", 0.02, 1, 0.12, "yellow to brown share from which on a kernel is stained, which counts as damaged, as long as it is not yellow or red",
		ours + ": standards disagree; 7 CFR 868 does not count light stains", func(p *Profile) *float64 { return &p.Damaged.Stain }},
	{"paddy.length", "usual lengths", 1.02, 3, 1.15, "length from which on a large brownish kernel is paddy; one as brown as husk is at any length of a whole kernel",
		"rough rice is 1.3 times as long as milled (Cereals Processing Technology, Woodhead 2001, table 5.1); midway", func(p *Profile) *float64 { return &p.Paddy.Length }},
	{"foreign.chance", "chance", 0.05, 1, 0.8, "the network's chance of no rice from which on a piece of odd colour is a foreign body; one of a colour that rice has only with a quarter of the doubt that this leaves, one of a shape that rice seldom has from half of it on",
		"rice of odd colour on rendered trays has up to 0.6, of the usual colour up to 0.7", func(p *Profile) *float64 { return &p.Foreign.Chance }},
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

// Validate returns a *fault.Error wrapping ErrProfile for the first limit out
// of its range, or nil.
func (p *Profile) Validate() error {
	for i := range ProfileLimits {
		l := &ProfileLimits[i]
		if v := l.Value(p); !(v >= l.Low && v <= l.High) {
			return caused(fault.Input, ErrProfile,
				fmt.Sprintf("%s is %g, not in %g to %g", l.Key, v, l.Low, l.High),
				fmt.Sprintf("%s is the %s; its default is %g", l.Key, l.Means, l.Default))
		}
	}
	return nil
}

// MaxProfileBytes caps a profile file; a written one has 5 kB.
const MaxProfileBytes = 1 << 20

// DecodeProfile reads the bytes of a profile file; name stands for its path.
// Limits that it leaves out keep their defaults. Errors are *fault.Error.
func DecodeProfile(name string, data []byte) (Profile, error) {
	p := DefaultProfile()
	p.Name = ""
	if problems := standards.Decode(name, data, &p); len(problems) > 0 {
		what, hint := problems.Error(), problems.Hint()
		if hint == "" || strings.Contains(what, "unknown key") {
			hint = "keep the keys that traytally help profile lists; limits of older versions, such as yellow.share, are gone: learn the profile again with traytally tune"
		}
		return Profile{}, caused(fault.Input, ErrProfile, what, hint)
	}
	if err := p.Validate(); err != nil {
		e := err.(*fault.Error)
		e.What = name + ": " + e.What
		return Profile{}, e
	}
	if p.Name == "" {
		p.Name = name
	}
	return p, nil
}

// Encode writes p as a file that DecodeProfile reads, each limit with its
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
		origin := "origin: " + l.Origin
		if v != l.Default {
			origin = fmt.Sprintf("changed from the default of %g", l.Default)
		}
		for _, about := range []string{fmt.Sprintf("%s [%s, %g to %g]", l.Means, l.Unit, l.Low, l.High), origin} {
			for line := range strings.SplitSeq(text.WrapSoft(about, 84), "\n") {
				fmt.Fprintf(&b, "  # %s\n", strings.TrimRight(line, " "))
			}
		}
		fmt.Fprintf(&b, "  %s: %s\n", key, strconv.FormatFloat(v, 'g', -1, 64))
	}
	_, err := w.Write(b.Bytes())
	return err
}
