// Package pipeline takes a sample from its pictures to the graded result, the
// same way for every command and every page.
//
// What is asked for is resolved once into Settings, which never change: they
// are what measures, and what is recorded. With them a sample is graded:
//
//	s, err := pipeline.Resolve(ctx, request, pipeline.Options{})
//	sample, err := s.Grade(ctx, pipeline.Files("tray.jpg"), nil, pipeline.Options{})
//	rec, err := sample.Record(code, facts)
//
// Each picture is read and decoded once.
package pipeline

import (
	"context"
	"encoding/json"
	"fmt"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/grading/standards"
	"traytally/samples"
	"traytally/vision"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Version is the version of the program. A release build sets it.
var Version = "0.1.0"

// A Request is what is asked for, every file of it read already.
type Request struct {
	// Method says how pictures are measured; the limits of its colours are
	// taken from Profile.
	Method  vision.Method
	Profile grading.Profile
	// Params are those of the arithmetic, without pictures of picked kernels.
	Params grading.Params
	// Standard is what samples are judged by; nil: no verdict. Contract is the
	// file that it was read from, nil where it is a published one.
	Standard *standards.Standard
	Contract []byte
	// Picked are pictures of picked whole kernels, to take their length from.
	Picked []string
	// Files are the files that all this was read from.
	Files []samples.SettingsFile
}

// Settings are all that a result depends on besides the sample's own pictures
// and sheet. They never change, and may be used by several goroutines.
type Settings struct {
	method   vision.Method
	profile  grading.Profile
	standard *standards.Standard
	recorded samples.Settings // with the trays of picked kernels
	picked   []samples.Picture
}

// Resolve makes settings of a request. Pictures of picked kernels are measured
// now, once for all samples.
func Resolve(ctx context.Context, r Request, o Options) (*Settings, error) {
	s := &Settings{method: r.Method, profile: r.Profile, standard: r.Standard}
	s.method.Colour.Limits = &s.profile.Surface
	measuring, err := json.Marshal(s.method)
	if err != nil {
		return nil, err
	}
	s.recorded = samples.Settings{
		PxPerMM: r.Method.PxPerMM, ScaleSource: r.Method.ScaleSource, Params: r.Params,
		ColourProfile: &s.profile, Measuring: measuring, Files: r.Files,
	}
	if err := r.Params.Validate(); err != nil {
		return nil, err
	}
	if r.Standard != nil {
		if err := s.recorded.SetStandard(r.Standard, r.Contract); err != nil {
			return nil, err
		}
	}
	return s, s.measurePicked(ctx, Files(r.Picked...), o)
}

// Recorded returns the settings that a sample was registered with. picked are
// the files of its pictures of picked kernels.
func Recorded(ctx context.Context, rec *samples.Record, picked []*Source) (*Settings, error) {
	s := &Settings{profile: grading.DefaultProfile(), recorded: rec.Settings}
	var err error
	if s.standard, err = rec.Settings.LoadStandard(); err != nil {
		return nil, err
	}
	if p := rec.Settings.ColourProfile; p != nil {
		if s.profile = *p; p.Validate() != nil {
			return nil, &fault.Error{What: rec.Code + " was registered with colour limits of an older version, which this one does not have",
				Hint: "grade its pictures again and register them as a new revision, or recheck with the version that registered it"}
		}
	}
	if len(rec.Settings.Measuring) == 0 {
		s.method.PxPerMM, s.method.ScaleSource, s.method.Card = rec.Settings.PxPerMM, rec.Settings.ScaleSource, vision.CardOff
	} else if err := json.Unmarshal(rec.Settings.Measuring, &s.method); err != nil {
		return nil, fmt.Errorf("settings of sample %s: %w", rec.Code, err)
	}
	return s, s.measurePicked(ctx, picked, Options{})
}

func (s *Settings) measurePicked(ctx context.Context, files []*Source, o Options) error {
	o.Keep = nil
	trays, err := s.measure(ctx, files, o)
	s.recorded.Params.ReferenceFrom, s.picked = trays, Pictures(files)
	return err
}

// Profile returns the limits that colours become flags by.
func (s *Settings) Profile() grading.Profile { return s.profile }

// Key returns the identity of a measurement of pictures that were read.
func (s *Settings) Key(files []*Source) string {
	return samples.Key(Sums(Pictures(files)), Sums(s.picked), &s.recorded)
}

// A Sample was measured and judged.
type Sample struct {
	Result   *grading.Result
	Trays    []kernel.Tray
	Pictures []samples.Picture

	settings *Settings
}

// Record returns what is registered of the sample.
func (g *Sample) Record(code string, facts samples.Facts) (*samples.Record, error) {
	return samples.NewRecord(samples.Input{
		Code: code, Facts: facts, Pictures: g.Pictures, Reference: g.settings.picked,
		Settings: g.settings.recorded, Result: g.Result, Trays: g.Trays,
	})
}

// Correct lays corrections of single kernels on the sample, and returns what it
// had without them. sheet is the one that it was graded with.
func (g *Sample) Correct(list []correct.Correction, sheet *grading.Sheet) (*samples.AsMeasured, error) {
	rec, err := g.Record("", samples.Facts{Sheet: sheet})
	if err == nil {
		err = rec.Correct(list, "", vision.PieceOf)
	}
	if err != nil {
		return nil, err
	}
	row, err := rec.Row()
	if err != nil {
		return nil, err
	}
	if g.Result, err = rec.Decode(); err != nil {
		return nil, err
	}
	g.Trays, err = rec.Trays()
	return row.AsMeasured, err
}
