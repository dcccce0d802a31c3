package vision

import (
	"fmt"
	"math"
	"regexp"
	"time"

	"github.com/goccy/go-yaml"

	"traytally/vision/kernel/fault"
)

// A ScaleProfile is a named scale of one device, found once from something of
// known size and checked from time to time.
type ScaleProfile struct {
	Made   time.Time `yaml:"made"`
	Method string    `yaml:"method"` // for people
	// PxPerMMX and PxPerMMY are what was found, px/mm.
	PxPerMMX float64 `yaml:"px_per_mm_x"`
	PxPerMMY float64 `yaml:"px_per_mm_y"`
	// StoredX and StoredY are what the picture itself stated, px/mm; 0 where
	// it stated nothing. With them the profile holds for other resolutions.
	StoredX float64 `yaml:"stored_px_per_mm_x,omitempty"`
	StoredY float64 `yaml:"stored_px_per_mm_y,omitempty"`
	// WidthPx and HeightPx are the size of the picture.
	WidthPx  int          `yaml:"width_px"`
	HeightPx int          `yaml:"height_px"`
	SHA256   string       `yaml:"sha256"` // of the picture
	Checks   []ScaleCheck `yaml:"checks,omitempty"`
}

// A ScaleCheck is a later look at the same device.
type ScaleCheck struct {
	At     time.Time `yaml:"at"`
	DriftX float64   `yaml:"drift_x_pct"` // found over the profile's, %
	DriftY float64   `yaml:"drift_y_pct"`
	SHA256 string    `yaml:"sha256"`
}

// Worst returns the greater of both drifts by size.
func (c ScaleCheck) Worst() float64 {
	if math.Abs(c.DriftX) > math.Abs(c.DriftY) {
		return c.DriftX
	}
	return c.DriftY
}

// MaxScaleDrift is the drift, %, from which on a profile is in doubt: 0.5 % is
// what the mean whole-kernel length is promised to.
const MaxScaleDrift = 0.5

// keptChecks is how many checks a profile keeps.
const keptChecks = 400

// NewScaleProfile makes a profile of what was found in a picture.
func NewScaleProfile(p *Picture, c *Calibration, at time.Time) *ScaleProfile {
	return &ScaleProfile{
		Made: at.UTC().Truncate(time.Second), Method: c.Method,
		PxPerMMX: c.PxPerMMX, PxPerMMY: c.PxPerMMY, StoredX: p.PxPerMMX, StoredY: p.PxPerMMY,
		WidthPx: p.Width, HeightPx: p.Height, SHA256: p.SHA256,
	}
}

// scaleFor returns the scale of another picture of the same device.
func (s *ScaleProfile) scaleFor(p *Picture) (x, y float64, err error) {
	switch {
	case s.StoredX > 0 && s.StoredY > 0 && p.PxPerMMX > 0 && p.PxPerMMY > 0:
		return s.PxPerMMX / s.StoredX * p.PxPerMMX, s.PxPerMMY / s.StoredY * p.PxPerMMY, nil
	case s.StoredX > 0:
		err = fault.New(p.Name, "scan with the same program and settings as for the profile",
			"states no resolution, and the scale profile was made from a picture that did")
	case p.PxPerMMX > 0:
		err = fault.New(p.Name, "make the profile anew from such a picture: traytally calibrate",
			"states a resolution, and the scale profile was made from a picture that did not")
	case s.WidthPx != p.Width || s.HeightPx != p.Height:
		err = fault.New(p.Name, "take the picture as that for the profile, at the same distance and size",
			"has %d × %d pixels, and the scale profile was made from %d × %d without a stated resolution", p.Width, p.Height, s.WidthPx, s.HeightPx)
	}
	return s.PxPerMMX, s.PxPerMMY, err
}

// Apply gives a picture the profile's scale: what it states, corrected, or,
// where neither states one, the profile's for pictures of the same size.
func (s *ScaleProfile) Apply(name string, p *Picture) error {
	x, y, err := s.scaleFor(p)
	if err != nil {
		return err
	}
	p.PxPerMMX, p.PxPerMMY = x, y
	checked := "not checked since"
	if c := s.lastCheck(); len(s.Checks) > 0 {
		checked = fmt.Sprintf("checked %s: drift %+.2f %%", c.At.Format(time.DateOnly), c.Worst())
	}
	p.ScaleSource = fmt.Sprintf("scale profile %s (%s, made %s, %s)", name, s.Method, s.Made.Format(time.DateOnly), checked)
	return nil
}

// lastCheck returns the last one, or none.
func (s *ScaleProfile) lastCheck() (c ScaleCheck) {
	if n := len(s.Checks); n > 0 {
		c = s.Checks[n-1]
	}
	return c
}

// Check compares what was found in a later picture with the profile and notes
// it there.
func (s *ScaleProfile) Check(p *Picture, c *Calibration, at time.Time) (ScaleCheck, error) {
	x, y, err := s.scaleFor(p)
	if err != nil {
		return ScaleCheck{}, err
	}
	k := ScaleCheck{At: at.UTC().Truncate(time.Second), DriftX: 100 * (c.PxPerMMX/x - 1), DriftY: 100 * (c.PxPerMMY/y - 1), SHA256: p.SHA256}
	s.Checks = append(s.Checks, k)
	s.Checks = s.Checks[max(0, len(s.Checks)-keptChecks):]
	return k, nil
}

// ProfileName says what a profile may be called.
var ProfileName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)

// plainMethod is what a method may be said with: text that needs no quotes.
var plainMethod = regexp.MustCompile(`^([A-Za-z0-9][A-Za-z0-9 ×.+-]{0,99})?$`)

// profileFile is the file of profiles.
type profileFile struct {
	Schema   int                      `yaml:"schema"`
	Profiles map[string]*ScaleProfile `yaml:"profiles"`
}

const profileSchema = 1

// MaxProfileBytes caps the file of profiles.
const MaxProfileBytes = 4 << 20

// ReadScaleProfiles reads what WriteScaleProfiles wrote. file names it in
// errors, which are *fault.Error.
func ReadScaleProfiles(file string, data []byte) (map[string]*ScaleProfile, error) {
	bad := func(what string, a ...any) error {
		return fault.New(file, "correct the file, or remove it and calibrate again", what, a...)
	}
	if len(data) > MaxProfileBytes {
		return nil, bad("has %d bytes, more than the limit of %d", len(data), MaxProfileBytes)
	}
	f := profileFile{}
	if err := yaml.UnmarshalWithOptions(data, &f, yaml.Strict()); err != nil {
		return nil, bad("is no file of scale profiles: %s", yaml.FormatError(err, false, false))
	}
	if f.Schema != profileSchema {
		return nil, bad("has schema %d, want %d", f.Schema, profileSchema)
	}
	good := func(v float64) bool { return v >= 0.1 && v <= 1000 }
	for name, p := range f.Profiles {
		switch {
		case !ProfileName.MatchString(name):
			return nil, bad("profile %q: a name has letters, digits, dots, dashes and underscores only", name)
		case p != nil && !plainMethod.MatchString(p.Method):
			return nil, bad("profile %s: the method %q has other than letters, digits and spaces", name, p.Method)
		case p == nil || !good(p.PxPerMMX) || !good(p.PxPerMMY):
			return nil, bad("profile %s: the scale is not within 0.1 to 1000 px/mm", name)
		case (p.StoredX != 0 || p.StoredY != 0) && (!good(p.StoredX) || !good(p.StoredY)):
			return nil, bad("profile %s: the stated resolution is not within 0.1 to 1000 px/mm", name)
		}
		for _, c := range p.Checks {
			if math.IsNaN(c.Worst()) || math.IsInf(c.Worst(), 0) {
				return nil, bad("profile %s: a drift is %g", name, c.Worst())
			}
		}
	}
	if f.Profiles == nil {
		f.Profiles = map[string]*ScaleProfile{}
	}
	return f.Profiles, nil
}

// WriteScaleProfiles returns the file of profiles as YAML. Same profiles, same
// bytes.
func WriteScaleProfiles(profiles map[string]*ScaleProfile) ([]byte, error) {
	return yaml.Marshal(profileFile{profileSchema, profiles})
}
