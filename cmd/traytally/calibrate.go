package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"traytally/vision"
	"traytally/vision/kernel"
)

// exitDrifted ends a check of a scale that has drifted.
const exitDrifted = 13

// profilesVariable names the file of scale profiles where --profiles does not.
const profilesVariable = "TRAYTALLY_PROFILES"

// profileFile returns where scale profiles are kept.
func (s *scaleFlags) profileFile() (string, error) {
	if s.deviceFile != "" {
		return s.deviceFile, nil
	}
	if f := os.Getenv(profilesVariable); f != "" {
		return f, nil
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", usageError("there is no place for scale profiles: "+err.Error(), "name a file: --profiles scales.yaml")
	}
	return filepath.Join(dir, "traytally", "scale-profiles.yaml"), nil
}

// loadProfiles reads the file of scale profiles, data as it stands; a missing
// file has none.
func (s *scaleFlags) loadProfiles() (file string, data []byte, all map[string]*vision.ScaleProfile, err error) {
	if file, err = s.profileFile(); err != nil {
		return "", nil, nil, err
	}
	data, err = readFile(file, vision.MaxProfileBytes)
	if errors.Is(err, fs.ErrNotExist) {
		return file, nil, map[string]*vision.ScaleProfile{}, nil
	}
	if err == nil {
		all, err = vision.ReadScaleProfiles(file, data)
	}
	return file, data, all, err
}

func profileNamed(file string, all map[string]*vision.ScaleProfile, name string) (*vision.ScaleProfile, error) {
	if p := all[name]; p != nil {
		return p, nil
	}
	hint := "make one: traytally calibrate PICTURE --length MM --name " + shellWord(name)
	if len(all) > 0 {
		hint = "there is " + strings.Join(slices.Sorted(maps.Keys(all)), ", ")
	}
	return nil, inputError(file, fmt.Sprintf("has no scale profile %q", name), hint)
}

// calibrateOptions are the flags of the calibrate command.
type calibrateOptions struct {
	picture       string
	length, width float64
	points        string
	card          bool
	cardRuler     float64
	name          string
	check         string
	output
	scaleFlags // only the file
}

func newCalibrateCommand(u *ui) *cobra.Command {
	o := calibrateOptions{}
	args := cobra.MatchAll(takesOne("picture", "coin.png --length 24.25"), excluding("name", "check", "card", "length", "card", "points", "width", "points"))
	cmd := newCommand("calibrate", args, func(ctx context.Context, args []string) error {
		o.picture = args[0]
		return runCalibrate(ctx, o, time.Now(), u)
	})
	f := cmd.Flags()
	f.Var(&ranged{v: &o.length, min: 1, max: 1000}, "length", "known length or diameter in `MM`")
	f.Var(&ranged{v: &o.width, min: 1, max: 1000}, "width", "known width in `MM` of an oblong object")
	f.StringVar(&o.points, "points", "", "two places in pixels, as `X,Y,X,Y`, that lie --length apart")
	f.BoolVar(&o.card, "card", false, "take the printed card in the picture")
	f.Var(&ranged{v: &o.cardRuler, min: 50, max: 300}, "card-ruler", "length in `MM` of the 150 mm line on the printed card, as measured with a ruler")
	f.StringVar(&o.name, "name", "", "keep the scale as a profile with this `NAME`")
	f.StringVar(&o.check, "check", "", "compare with the profile of this `NAME` and note the drift there")
	o.addJSON(f)
	f.Lookup("force").Usage = "replace a profile of the same name, or a file that holds something else"
	o.addProfiles(f)
	return cmd
}

// scale finds the scale of the picture.
func (o *calibrateOptions) scale(ctx context.Context, p *vision.Picture, u *ui) (*vision.Calibration, error) {
	switch {
	case o.points != "":
		var v [4]float64
		words := strings.Split(o.points, ",")
		for i, w := range words {
			x, err := strconv.ParseFloat(strings.TrimSpace(w), 64)
			if err != nil || len(words) != len(v) || math.IsNaN(x) || math.IsInf(x, 0) {
				return nil, usageError(fmt.Sprintf("--points is %q", o.points), "give four numbers, for example --points 120,300,1890,310")
			}
			v[i] = x
		}
		return vision.CalibratePoints(p, kernel.Point{X: v[0], Y: v[1]}, kernel.Point{X: v[2], Y: v[3]}, o.length)
	case o.card:
		c, err := vision.FindCard(ctx, p, vision.CardOptions{RulerMM: o.cardRuler, Thorough: true, ScaleOnly: true})
		if err != nil {
			return nil, err
		}
		for _, w := range c.Warnings {
			if w.Code == "card_print_unchecked" {
				u.warn(w.Text, w.Hint)
			}
		}
		return c.Calibration(p)
	}
	return vision.CalibrateObject(ctx, p, o.length, o.width)
}

// A calibrationDocument is the JSON that the calibrate command writes.
type calibrationDocument struct {
	Schema   string  `json:"schema"`
	Picture  string  `json:"picture"`
	SHA256   string  `json:"sha256"`
	Method   string  `json:"method"`
	PxPerMMX float64 `json:"px_per_mm_x"`
	PxPerMMY float64 `json:"px_per_mm_y"`
	Both     bool    `json:"x_and_y_measured"`
	RelSDPct float64 `json:"standard_uncertainty_pct"`
	StoredX  float64 `json:"stored_px_per_mm_x"` // 0: none
	StoredY  float64 `json:"stored_px_per_mm_y"`
	Profile  string  `json:"profile,omitempty"`
	DriftX   float64 `json:"drift_x_pct,omitempty"`
	DriftY   float64 `json:"drift_y_pct,omitempty"`
	Checked  bool    `json:"checked"`
}

func runCalibrate(ctx context.Context, o calibrateOptions, now time.Time, u *ui) error {
	switch {
	case o.width > 0 && o.length == 0:
		return usageError("--width needs --length", "give both")
	case !o.card && o.length == 0:
		return usageError("nothing of known size is named", "give --length MM of an object in the picture, or --card")
	case o.cardRuler > 0 && !o.card:
		return usageError("--card-ruler needs --card", "give both")
	case o.name != "" && !vision.ProfileName.MatchString(o.name):
		return usageError(fmt.Sprintf("a profile cannot be called %q", o.name), "take letters, digits, dots, dashes and underscores")
	}
	var file string
	var all map[string]*vision.ScaleProfile
	var err error
	if o.name != "" || o.check != "" {
		if file, _, all, err = o.loadProfiles(); err != nil {
			return err
		}
	}
	var profile *vision.ScaleProfile
	if o.check != "" {
		if profile, err = profileNamed(file, all, o.check); err != nil {
			return err
		}
	}
	if o.name != "" && all[o.name] != nil && !o.force {
		return outputError(file, fmt.Sprintf("has a scale profile %q already", o.name), "take another name, or add --force to replace it")
	}

	p, err := vision.Open(o.picture, vision.OpenOptions{})
	if err != nil {
		return err
	}
	defer p.Close()
	c, err := o.scale(ctx, p, u)
	if err != nil {
		return err
	}
	doc := &calibrationDocument{
		Schema: "traytally-calibration-1", Picture: o.picture, SHA256: p.SHA256, Method: c.Method,
		PxPerMMX: c.PxPerMMX, PxPerMMY: c.PxPerMMY, Both: c.Both, RelSDPct: 100 * c.RelSD,
		StoredX: p.PxPerMMX, StoredY: p.PxPerMMY,
	}
	if o.name != "" {
		all[o.name] = vision.NewScaleProfile(p, c, now)
		doc.Profile = o.name
	}
	if profile != nil {
		k, err := profile.Check(p, c, now)
		if err != nil {
			return err
		}
		doc.Profile, doc.DriftX, doc.DriftY, doc.Checked = o.check, k.DriftX, k.DriftY, true
	}
	if doc.Profile != "" {
		text, err := vision.WriteScaleProfiles(all)
		if err != nil {
			return err
		}
		undo, err := makeDir(filepath.Dir(file))
		if err != nil {
			return err
		}
		// The file is the program's own: a new profile replaces the old file.
		if err := writeSet(ctx, []outFile{{file, writeBytes(text)}}, true); err != nil {
			undo()
			return err
		}
	}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) { doc.tell(w, file) }); err != nil {
		return err
	}
	if !c.Both {
		u.warn(fmt.Sprintf("the scale was measured in one direction only (%.0f°) and taken for both", c.AngleRad*180/math.Pi),
			"use a round thing, or give --width too: scanners may step unequally along x and y")
	}
	if doc.Checked {
		if d := max(math.Abs(doc.DriftX), math.Abs(doc.DriftY)); d > vision.MaxScaleDrift {
			u.warn(fmt.Sprintf("the scale has drifted by %.2f %%, more than %g %%", d, vision.MaxScaleDrift),
				"see whether the picture was taken as ever; if so, calibrate again: --name "+shellWord(o.check)+" --force")
			return &answer{exitDrifted}
		}
	}
	return nil
}

// tell says the result for people.
func (d *calibrationDocument) tell(out io.Writer, file string) {
	fmt.Fprintf(out, "%s: %.4f px/mm", plain(d.Picture), d.PxPerMMX)
	if d.Both {
		fmt.Fprintf(out, " along x, %.4f along y", d.PxPerMMY)
	}
	fmt.Fprintf(out, " (edges to ±%.3f %%), by %s\n", 2*d.RelSDPct, d.Method)
	if d.StoredX > 0 {
		fmt.Fprintf(out, "The stored resolution of %.4g dpi is off by %+.2f %% along x, %+.2f %% along y.\n",
			d.StoredX*25.4, hundredths(100*(d.StoredX/d.PxPerMMX-1)), hundredths(100*(d.StoredY/d.PxPerMMY-1)))
	}
	switch {
	case d.Checked:
		fmt.Fprintf(out, "Drift from scale profile %s: %+.2f %% along x, %+.2f %% along y.\n", d.Profile, hundredths(d.DriftX), hundredths(d.DriftY))
	case d.Profile != "":
		fmt.Fprintf(out, "Kept as scale profile %s in %s\n", d.Profile, plain(file))
	}
}

// hundredths rounds to them, and keeps nothing from being written as -0.
func hundredths(v float64) float64 { return math.Round(100*v)/100 + 0 }
