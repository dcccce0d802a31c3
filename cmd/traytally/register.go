package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"traytally/grading"
	"traytally/grading/standards"
	"traytally/samples"
	"traytally/samples/report"
	"traytally/vision"
	"traytally/vision/kernel"
)

// registerVariable names the register where --register does not.
const registerVariable = "TRAYTALLY_REGISTER"

// registerHelp is the part of a command's help about the register.
const registerHelp = `The register is the SQLite file or the postgres:// address given with
--register, else by ` + registerVariable + `, else register.db in the user's data
directory. An SQLite register must lie on a disk of this machine; several
machines share one by PostgreSQL.`

// registerFlags say which register is meant and who works on it.
type registerFlags struct{ register, by string }

func (r *registerFlags) add(f *pflag.FlagSet) {
	f.StringVar(&r.register, "register", "", "register of samples: a `FILE` or postgres://USER@HOST/DATABASE")
}

func (r *registerFlags) addBy(f *pflag.FlagSet) {
	f.StringVar(&r.by, "by", "", "`NAME` for the audit trail, instead of the one on this machine")
}

// open opens the register, and with create makes one where there is none.
func (r *registerFlags) open(ctx context.Context, create bool) (*samples.Register, error) {
	where := cmp.Or(r.register, os.Getenv(registerVariable))
	if where == "" {
		dir, err := dataDir()
		if err != nil {
			return nil, err
		}
		if create {
			if err := os.MkdirAll(dir, 0o777); err != nil {
				return nil, notWritten(dir, err)
			}
		}
		where = filepath.Join(dir, "register.db")
	}
	return samples.Open(ctx, where, samples.OpenOptions{Create: create, Actor: r.by})
}

// dataDir returns the directory for what the program keeps for its user: the
// XDG base directory for data where there is one.
func dataDir() (string, error) {
	if d := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(d) {
		return filepath.Join(d, "traytally"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", &usageError{what: "this user has no home directory for the register", hint: "name the register with --register"}
	}
	if info, err := os.Stat(home); err != nil || !info.IsDir() {
		return "", &usageError{what: fmt.Sprintf("there is no home directory %s for the register", home), hint: "name the register with --register"}
	}
	return filepath.Join(home, ".local", "share", "traytally"), nil
}

// A work turns pictures into registered samples and their reports.
type work struct {
	grade     gradeOptions
	std       *standards.Standard
	settings  samples.Settings // asked for, without the trays of picked kernels
	reference []samples.Picture
	register  *samples.Register
	reports   []string // endings: html, pdf
	out       string   // directory of the reports
	again     bool     // measure again what was refused before
	large     chan struct{}
}

// prepare loads what all samples have in common.
func prepare(o *gradeOptions, u *ui) (*work, error) {
	w := &work{grade: *o, large: make(chan struct{}, 1)}
	std, _, err := o.standardFlags.load(u)
	if err != nil {
		return nil, err
	}
	w.std = std
	m, err := o.method()
	if err != nil {
		return nil, err
	}
	profile, colours, err := o.loadColours()
	if err != nil {
		return nil, err
	}
	m.Colour = colours
	measuring, err := json.Marshal(m)
	if err != nil {
		return nil, err
	}
	w.settings = samples.Settings{
		PxPerMM: m.PxPerMM, ScaleSource: m.ScaleSource, Params: o.params(std),
		ColourProfile: &profile, Measuring: measuring,
	}
	if err := w.settings.Params.Validate(); err != nil {
		return nil, err
	}
	if std != nil {
		var contract []byte
		if o.contract != "" {
			if contract, err = os.ReadFile(o.contract); err != nil {
				return nil, inStandardWords(err, o.contract)
			}
		}
		if err := w.settings.SetStandard(std, contract); err != nil {
			return nil, err
		}
	}
	for _, path := range o.wholeFrom {
		p, err := pictureFile(path)
		if err != nil {
			return nil, err
		}
		w.reference = append(w.reference, p)
	}
	return w, nil
}

// pictureFile returns a file's name, size and check sum.
func pictureFile(path string) (samples.Picture, error) {
	// What is no ordinary file, such as a pipe, is never opened: that could wait
	// for ever. What is too large is not read through.
	info, err := os.Stat(path)
	ordinary := err == nil && info.Mode().IsRegular() && info.Size() <= vision.MaxFileBytes
	var f *os.File
	if ordinary {
		f, err = os.Open(path)
	}
	if !ordinary || err != nil {
		// vision says best what is wrong with a file, and what was meant.
		_, err := vision.Open(path, vision.OpenOptions{})
		return samples.Picture{}, cmp.Or(err, changing(path))
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, bufio.NewReaderSize(f, 1<<18))
	if err != nil {
		return samples.Picture{}, &inputError{path: path, what: "cannot be read: " + err.Error(), hint: "check the disk or the connection it lies behind"}
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return samples.Picture{}, err
	}
	return samples.Picture{Path: abs, SHA256: hex.EncodeToString(h.Sum(nil)), Bytes: n}, nil
}

// A job is a sample to be graded and registered.
type job struct {
	code     string // empty: the register gives one
	facts    samples.Facts
	pictures []string
}

// What became of a job.
const (
	stateGraded  = "graded"
	stateKnown   = "registered before"
	stateRefused = "not graded"
)

// An outcome is what became of a job.
type outcome struct {
	Pictures []string `json:"pictures"`
	State    string   `json:"state"`
	// Reason says why a sample was not graded, or what is to be known of one
	// that was registered before; Hint is the way out, where there is one.
	Reason   string       `json:"reason,omitempty"`
	Hint     string       `json:"hint,omitempty"`
	Sample   *samples.Row `json:"sample"` // null where it was not graded
	warnings []grading.Warning
}

// warn tells what was wrong with a sample, if anything was.
func (o *outcome) warn(u *ui) {
	if o.State == stateRefused || o.Hint != "" {
		u.warn(o.Reason, o.Hint)
	}
}

// do grades and registers one sample and writes its reports. The error is one
// that ends all work: a disk without room, a register that is gone. What is
// wrong with the sample stands in the outcome.
//
// turn is called before the sample is registered, and returns when it is its
// turn; over is called as soon as the next one may be.
func (w *work) do(ctx context.Context, j job, turn, over func()) (outcome, error) {
	defer over()
	out := outcome{Pictures: j.pictures}
	refuse := func(err error) outcome {
		out.State, out.Reason, out.Hint = stateRefused, err.Error(), hintOf(err)
		return out
	}
	var pictures []samples.Picture
	for _, path := range j.pictures {
		p, err := pictureFile(path)
		if err != nil {
			return refuse(err), nil
		}
		pictures = append(pictures, p)
	}
	key := samples.Key(sumsOf(pictures), sumsOf(w.reference), &w.settings)
	code, err := w.register.Lookup(ctx, key)
	if err != nil {
		return out, err
	}
	if code != "" {
		return w.known(ctx, code, j)
	}
	if !w.again {
		before, err := w.register.Refused(ctx, key)
		if err != nil {
			return out, err
		}
		if before != nil && before.Path == string([]rune(pictures[0].Path)) { // the reason names the file
			out.State, out.Reason, out.Hint = stateRefused, before.Reason, before.Hint
			return out, nil
		}
	}

	rec, warnings, err := w.measure(ctx, j, pictures)
	if err != nil {
		if !aboutSample(err) {
			return out, err
		}
		o := refuse(err)
		if errors.Is(err, errChanging) {
			return o, nil
		}
		return o, w.register.Refuse(ctx, key, samples.Refusal{Path: pictures[0].Path, At: time.Now(), Reason: o.Reason, Hint: o.Hint})
	}
	turn()
	added, err := w.register.Add(ctx, rec)
	over()
	if errors.Is(err, samples.ErrCodeTaken) {
		return refuse(err), nil
	}
	if err != nil {
		return out, err
	}
	if !added { // the same picture again, or another program was quicker
		return w.known(ctx, rec.Code, j)
	}
	out.State, out.warnings = stateGraded, warnings
	out.Sample, err = w.finish(ctx, rec.Code, j.pictures)
	return out, err
}

// known tells of a sample whose pictures are registered already. A row of the
// list that asks for another sample is refused, and one whose facts the
// register does not have is told: nothing falls out unseen.
func (w *work) known(ctx context.Context, code string, j job) (outcome, error) {
	out := outcome{Pictures: j.pictures, State: stateKnown}
	rec, err := w.register.Get(ctx, code, 0)
	if err != nil {
		return out, err
	}
	here := printed(j.pictures)
	var paths []string
	for _, p := range rec.Pictures {
		paths = append(paths, p.Path)
	}
	there := printed(paths)
	differ := rec.Facts.Differ(&j.facts)
	if len(differ) > 0 && rec.Revision > 1 { // amended since it was listed
		first, err := w.register.Get(ctx, code, 1)
		if err != nil {
			return out, err
		}
		if len(first.Facts.Differ(&j.facts)) == 0 {
			differ = nil
		}
	}
	if j.facts.IsZero() {
		differ = nil
	}
	switch {
	case j.code != "" && j.code != code:
		out.State, out.Reason = stateRefused, fmt.Sprintf("%s: the same picture is registered already, as sample %s (%s)", here, code, there)
		out.Hint = fmt.Sprintf("scan the rice of %s itself, or write %s in the list", j.code, code)
		return out, nil
	case len(differ) > 0 && here != there:
		out.State, out.Reason = stateRefused, fmt.Sprintf("%s: the same picture is registered already, as sample %s (%s), with other facts: %s", here, code, there, strings.Join(differ, ", "))
		out.Hint = "scan the rice itself, or take the row out of the list"
		return out, nil
	case len(differ) > 0:
		out.Reason = fmt.Sprintf("%s: sample %s is registered with other facts than the list has: %s", here, code, strings.Join(differ, ", "))
		out.Hint = "the register stays as it is; traytally log amend " + code + " --reason TEXT corrects it"
	case here != there:
		out.Reason = "the same picture as " + there
	}
	out.Sample, err = w.finish(ctx, code, j.pictures)
	return out, err
}

// errChanging is the cause where a picture changed while it was read.
var errChanging = errors.New("changes while it is read")

func changing(path string) error {
	return &vision.InputError{Path: path, What: errChanging.Error(), Hint: "wait until the scan is written, then run it again", Err: errChanging}
}

// aboutSample reports whether an error is a matter of the pictures or facts of
// one sample, so that others can go on.
func aboutSample(err error) bool {
	switch codeOf(err) {
	case exitInput, exitUngraded:
		return true
	}
	return false
}

// measure makes the record of a sample.
func (w *work) measure(ctx context.Context, j job, pictures []samples.Picture) (*samples.Record, []grading.Warning, error) {
	const largeFile = 40 << 20 // bytes: of these one at a time, for the memory
	for _, p := range pictures {
		if p.Bytes > largeFile {
			w.large <- struct{}{}
			defer func() { <-w.large }()
			break
		}
	}
	o := w.grade
	o.pictures, o.out = j.pictures, ""
	res, seen, err := o.analyse(ctx, w.std, &ui{in: strings.NewReader(""), out: io.Discard, err: io.Discard})
	if err != nil {
		return nil, nil, err
	}
	if w.std != nil {
		if res.Grade, err = grading.Evaluate(res.Sample, w.std, j.facts.Sheet); err != nil {
			return nil, nil, inStandardWords(err, "")
		}
	}
	for i, m := range seen {
		if m.sha256 != pictures[i].SHA256 {
			return nil, nil, changing(j.pictures[i])
		}
	}
	for _, list := range [][]samples.Picture{pictures, w.reference} {
		for i := range list {
			if err := describe(&list[i]); err != nil {
				return nil, nil, err
			}
		}
	}
	settings := w.settings
	settings.Params.ReferenceFrom = res.Sample.Params.ReferenceFrom
	rec, err := samples.NewRecord(samples.Input{
		Code: j.code, Facts: j.facts, Pictures: pictures, Reference: slices.Clone(w.reference),
		Settings: settings, Result: res, Trays: traysOf(seen),
	})
	return rec, res.Warnings, err
}

// describe fills in what the header of a picture says.
func describe(p *samples.Picture) error {
	if p.Format != "" {
		return nil
	}
	pic, err := vision.Open(p.Path, vision.OpenOptions{})
	if err != nil {
		return err
	}
	defer pic.Close()
	p.Format, p.WidthPx, p.HeightPx = pic.Format, pic.Width, pic.Height
	return nil
}

// finish writes the reports of a registered sample where they are missing, and
// returns its row.
func (w *work) finish(ctx context.Context, code string, pictures []string) (*samples.Row, error) {
	rec, err := w.register.Get(ctx, code, 0)
	if err != nil {
		return nil, err
	}
	row, err := rec.Row()
	if err != nil {
		return nil, err
	}
	// The report of an amended sample may be one of an earlier revision.
	missing := rec.Revision > 1
	for _, ending := range w.reports {
		if _, err := os.Stat(w.reportPath(code, ending)); err != nil {
			missing = true
		}
	}
	if !missing {
		return row, nil
	}
	in, err := reportInput(ctx, w.register, rec, func(i int) string { return pictures[i] })
	if err != nil {
		return nil, err
	}
	files := reportFiles(in, func(ending string) string { return w.reportPath(code, ending) }, w.reports)
	if err := writeSet(ctx, files, true); err != nil {
		return nil, err
	}
	return row, nil
}

func (w *work) reportPath(code, ending string) string {
	return filepath.Join(w.out, code+"."+ending)
}

// reportFiles are the files of a report with the given endings.
func reportFiles(in report.Input, path func(ending string) string, endings []string) []outFile {
	var files []outFile
	for _, e := range endings {
		write := report.HTML
		if e == "pdf" {
			write = report.PDF
		}
		files = append(files, outFile{path(e), func(w io.Writer) error { return write(w, in) }})
	}
	return files
}

// reportInput gathers what a report is made from. where tells the path of each
// picture; one that is gone or changed is said in the report.
func reportInput(ctx context.Context, g *samples.Register, rec *samples.Record, where func(i int) string) (report.Input, error) {
	k, err := rec.Kernels()
	if err != nil {
		return report.Input{}, err
	}
	history, err := g.History(ctx, rec.Code)
	if err != nil {
		return report.Input{}, err
	}
	in := report.Input{Record: rec, Trays: k.Trays, Command: gradeCommand(rec)}
	for _, e := range history {
		if e.Revision <= rec.Revision {
			in.History = append(in.History, e)
		}
	}
	for i := range rec.Pictures {
		in.Photos = append(in.Photos, photo(where(i), &rec.Pictures[i]))
	}
	return in, nil
}

// gradeCommand is the command by which whoever has the pictures, but not the
// register, computes a sample's result again. The contract or the colour profile
// that a flag takes from a file stands in the report's settings.
func gradeCommand(rec *samples.Record) string {
	s := &rec.Settings
	words := []string{"traytally", "grade"}
	add := func(w ...string) { words = append(words, w...) }
	file := func(path string) string { // a name that is no flag
		if base := filepath.Base(path); strings.HasPrefix(base, "-") {
			return "./" + base
		}
		return filepath.Base(path)
	}
	for _, p := range rec.Pictures {
		add(file(p.Path))
	}
	var m vision.Method
	if json.Unmarshal(s.Measuring, &m) != nil {
		m.PxPerMM = s.PxPerMM
	}
	switch {
	case m.Profile != nil:
		add("--scale-profile", m.Device)
	case m.PxPerMM > 0:
		add("--scale", strconv.FormatFloat(m.PxPerMM, 'g', -1, 64))
	}
	if m.CoinMM > 0 {
		add("--coin", number(m.CoinMM, -1))
	}
	if m.Card != "" && m.Card != vision.CardAuto {
		add("--card", string(m.Card))
	}
	if m.Ruler > 0 {
		add("--card-ruler", number(m.Ruler, -1))
	}
	if r := m.Colour.GreyPatch; !r.Empty() {
		add("--grey", fmt.Sprintf("%d,%d,%d,%d", r.Min.X, r.Min.Y, r.Dx(), r.Dy()))
		if m.Colour.GreyY > 0 {
			add("--grey-percent", number(m.Colour.GreyY*100, -1))
		}
	}
	if s.Params.Measure != grading.Caliper {
		add("--length", string(s.Params.Measure))
	}
	if s.Params.WholeLengthMM > 0 {
		add("--whole-length", number(s.Params.WholeLengthMM, -1))
	}
	for _, p := range rec.Reference {
		add("--whole-from", file(p.Path))
	}
	if s.ColourProfile != nil && s.ColourProfile.Name != grading.DefaultProfile().Name {
		add("--profile", "PROFILE.yaml")
	}
	if s.Contract != "" {
		add("--contract", "CONTRACT.yaml")
	}
	if s.Standard != "" { // of a contract for several kinds of rice, the one
		add("--standard", s.Standard)
	}
	if s.Standard != "" && rec.Facts.Sheet != nil {
		for _, entry := range rec.Facts.Sheet.Entries() {
			add("--found", entry)
		}
	}
	for i, w := range words {
		words[i] = shellWord(w)
	}
	return strings.Join(words, " ")
}

// photo opens a picture for a report.
func photo(path string, want *samples.Picture) report.Photo {
	p, err := vision.Open(path, vision.OpenOptions{})
	if err != nil {
		return report.Photo{Missing: "the picture cannot be opened: " + strings.TrimPrefix(err.Error(), path+": ")}
	}
	defer p.Close()
	if p.SHA256 != want.SHA256 {
		return report.Photo{Missing: "the file was changed since the sample was measured"}
	}
	return report.Photo{Image: toNRGBA(p)}
}

// toNRGBA copies a picture into Go's own form.
func toNRGBA(p *vision.Picture) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, p.Width, p.Height))
	src := p.Pix()
	for i, j := 0, 0; i < len(src); i, j = i+3, j+4 {
		s, d := src[i:][:3:3], img.Pix[j:][:4:4]
		d[0], d[1], d[2], d[3] = s[2], s[1], s[0], 0xff
	}
	return img
}

func sumsOf(ps []samples.Picture) []string {
	var out []string
	for _, p := range ps {
		out = append(out, p.SHA256)
	}
	return out
}

// A finding is what happened to a picture since a sample was measured on it.
type finding struct {
	Picture string `json:"picture"` // where it was
	Path    string `json:"path"`    // where it is; empty where it was not found
	State   string `json:"state"`
}

// States of a picture.
const (
	pictureSame    = "unchanged"
	pictureMoved   = "moved, unchanged"
	pictureChanged = "changed since"
	pictureGone    = "not found"
)

// locate looks for the picture where it was and then, by its check sum, in
// dirs and in the directory where it was.
func locate(p *samples.Picture, dirs []string) finding {
	out := finding{Picture: p.Path, State: pictureGone}
	if got, err := pictureFile(p.Path); err == nil {
		if got.SHA256 == p.SHA256 {
			return finding{p.Path, p.Path, pictureSame}
		}
		out.State = pictureChanged
	}
	for _, dir := range append(slices.Clone(dirs), filepath.Dir(p.Path)) {
		entries, err := os.ReadDir(dir)
		if err != nil {
			continue
		}
		for _, e := range entries {
			info, err := e.Info()
			if err != nil || !info.Mode().IsRegular() || info.Size() != p.Bytes {
				continue
			}
			path := filepath.Join(dir, e.Name())
			if got, err := pictureFile(path); err == nil && got.SHA256 == p.SHA256 {
				return finding{p.Path, path, pictureMoved}
			}
		}
	}
	return out
}

// recompute measures and grades a registered sample again from the pictures
// at the given paths, with its own settings. It returns the record as it would
// be registered now.
func recompute(ctx context.Context, rec *samples.Record, paths, reference []string) (*samples.Record, error) {
	std, err := rec.Settings.LoadStandard()
	if err != nil {
		return nil, err
	}
	k, err := rec.Kernels()
	if err != nil {
		return nil, err
	}
	var o vision.Method
	if len(rec.Settings.Measuring) == 0 {
		o.PxPerMM, o.ScaleSource = rec.Settings.PxPerMM, rec.Settings.ScaleSource
		o.Card = vision.CardOff
	} else if err := json.Unmarshal(rec.Settings.Measuring, &o); err != nil {
		return nil, fmt.Errorf("settings of sample %s: %w", rec.Code, err)
	}
	measureAs := func(paths []string, names []kernel.Tray) ([]kernel.Tray, error) {
		var trays []kernel.Tray
		for i, path := range paths {
			data, err := os.ReadFile(path)
			if err != nil {
				return nil, &inputError{path: path, what: "cannot be read: " + err.Error(), hint: "check the disk or the connection it lies behind"}
			}
			p, err := vision.Decode(names[i].Picture, data, vision.OpenOptions{})
			if err != nil {
				return nil, err
			}
			t, err := vision.MeasureBy(ctx, p, o)
			p.Close()
			if err != nil {
				return nil, err
			}
			trays = append(trays, *t)
		}
		return trays, nil
	}
	trays, err := measureAs(paths, k.Trays)
	if err != nil {
		return nil, err
	}
	params := rec.Settings.Params
	if params.ReferenceFrom, err = measureAs(reference, k.Reference); err != nil {
		return nil, err
	}
	profile := grading.DefaultProfile()
	if rec.Settings.ColourProfile != nil {
		profile = *rec.Settings.ColourProfile
		if profile.Validate() != nil {
			return nil, &inputError{path: rec.Code, what: "was registered with colour limits of an older version, which this one does not have", hint: "grade its pictures again and register them as a new revision, or recheck with the version that registered it"}
		}
	}
	params.NotAssessed = grading.Flag(trays, profile)
	res, err := grading.Analyse(trays, params)
	if err != nil {
		return nil, err
	}
	res.ColourProfile = &profile
	res.Versions["traytally"] = version
	maps.Copy(res.Versions, vision.Versions())
	if std != nil {
		if res.Grade, err = grading.Evaluate(res.Sample, std, rec.Facts.Sheet); err != nil {
			return nil, err
		}
	}
	settings := rec.Settings
	settings.Params.ReferenceFrom = params.ReferenceFrom
	return samples.NewRecord(samples.Input{
		Code: rec.Code, Facts: rec.Facts, Pictures: rec.Pictures, Reference: rec.Reference,
		Settings: settings, Result: res, Trays: trays,
	})
}

// printed is what a picture's path is shown as in tables.
func printed(paths []string) string {
	var b bytes.Buffer
	for i, p := range paths {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(filepath.Base(p))
	}
	return plain(b.String())
}
