package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"traytally/cmd/traytally/internal/bench"
	"traytally/cmd/traytally/internal/pipeline"
	"traytally/cmd/traytally/internal/underway"
	"traytally/grading"
	"traytally/samples"
	"traytally/samples/report"
	"traytally/samples/words"
	"traytally/vision"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// An intake turns pictures into registered samples and their reports, for batch
// and watch.
type intake struct {
	settings *pipeline.Settings
	register *samples.Register
	reports  []string // endings: html, pdf
	words    *words.Words
	out      string     // directory of the reports
	again    bool       // measure again what was refused before
	begins   func(*job) // told of each that is measured; may be nil
	naming   sync.Mutex
	names    map[string]string // of the reports' files, by the code
	noPDF    map[string]bool   // samples whose PDF cannot be printed here, by the code
}

// What became of a job.
const (
	stateGraded  = "graded"
	stateKnown   = "registered before"
	stateRefused = "not graded"
)

// A job is a sample to be graded and registered, and what became of it.
type job struct {
	code  string // empty: the register gives one
	facts samples.Facts
	given bench.Next // entered with a sample that is new and has no such facts

	Pictures []string `json:"pictures"`
	State    string   `json:"state"`
	// Reason says why a sample was not graded, or what is to be known of one
	// that was registered before; Hint is the way out, where there is one.
	Reason   string       `json:"reason,omitempty"`
	Hint     string       `json:"hint,omitempty"`
	Sample   *samples.Row `json:"sample"` // null where it was not graded
	warnings []grading.Warning
	good     bool // nothing that it was judged by is broken
	exit     int  // code of the refusal
	noPDF    error
	name     string // see watcher.name
}

// entered returns code and facts of a sample that is new.
func (j *job) entered() (string, samples.Facts) {
	f := j.facts
	f.Lot, f.Line = cmp.Or(f.Lot, j.given.Lot), cmp.Or(f.Line, j.given.Line)
	f.Party, f.Variety = cmp.Or(f.Party, j.given.Party), cmp.Or(f.Variety, j.given.Variety)
	return cmp.Or(j.code, j.given.Code), f
}

// refuse says why a sample was not graded, and of which picture that is.
func (j *job) refuse(reason, hint string) {
	if !slices.ContainsFunc(j.Pictures, func(p string) bool { return strings.Contains(reason, filepath.Base(p)) }) {
		reason = printed(j.Pictures) + ": " + reason
	}
	j.State, j.Reason, j.Hint = stateRefused, reason, hint
}

func (j *job) refuseFor(err error) {
	j.refuse(err.Error(), hintOf(err))
	j.exit = codeOf(err)
}

// warn tells what was wrong with a sample, if anything was.
func (j *job) warn(u *ui) {
	if j.State == stateRefused || j.Hint != "" {
		u.warn(j.Reason, j.Hint)
	}
	tellNoPDF(u, j.noPDF)
}

// tellNoPDF says why there is no PDF of a report, if there is none.
func tellNoPDF(u *ui, err error) {
	if err != nil {
		u.warn(err.Error()+": no PDF is written", hintOf(err))
	}
}

// An intaken is a job on its way into the register.
type intaken struct {
	*job
	files  []*pipeline.Source
	photos []*report.Photo // of files, for the report; nil where decoded anew
	key    string
	known  string          // code of the sample that it is registered as already
	rec    *samples.Record // what was measured, and later what is registered
	note   bool            // the refusal is the pictures' own, and is noted
}

// each takes in the jobs and hands each that is done to tell, one at a time:
// measured several at once, registered one after the other in their order,
// reported several at once again. The error is one that ends all work: a disk
// without room, a register that is gone. What is wrong with a sample stands in
// its job.
func (w *intake) each(ctx context.Context, jobs []*job, tell func(int) error) error {
	reports, ctx := errgroup.WithContext(ctx)
	reports.SetLimit(2) // like the pictures that are measured at once
	var telling sync.Mutex
	err := pipeline.InOrder(ctx, len(jobs),
		func(ctx context.Context, i int) (*intaken, error) { return w.measure(ctx, jobs[i]) },
		func(inner context.Context, i int, m *intaken) error {
			if err := w.enter(inner, m); err != nil {
				return err
			}
			reports.Go(func() error {
				if err := w.finish(ctx, m); err != nil {
					return err
				}
				telling.Lock()
				defer telling.Unlock()
				return tell(i)
			})
			return nil
		})
	if e := reports.Wait(); e != nil {
		return e
	}
	return err
}

// keptPixels is the size up to which a decoded picture waits for its report, 4
// bytes a pixel; a larger one is decoded anew for it. An A4 sheet at 300 dpi has
// 9 million, and a handful may wait.
const keptPixels = 16_000_000

// measure reads the pictures of a job and, where they are new to the register,
// measures them.
func (w *intake) measure(ctx context.Context, j *job) (*intaken, error) {
	m := &intaken{job: j, files: pipeline.Files(j.Pictures...), photos: make([]*report.Photo, len(j.Pictures))}
	if err := pipeline.Read(m.files); err != nil {
		m.refuseFor(err)
		return m, nil
	}
	m.key = w.settings.Key(m.files)
	var err error
	if m.known, err = w.register.Lookup(ctx, m.key); err != nil || m.known != "" {
		return m, err
	}
	if !w.again {
		before, err := w.register.Refused(ctx, m.key)
		if err != nil {
			return nil, err
		}
		if before != nil && before.Path == string([]rune(m.files[0].Picture.Path)) { // the reason names the file
			m.refuse(before.Reason, before.Hint)
			return m, nil
		}
	}
	for _, p := range j.Pictures {
		if n := underway.Dir(w.out).Times(p); n >= underway.Enough && !w.again {
			m.refuseFor(&fault.Error{Path: p, What: fmt.Sprintf("the program was killed %d times while it measured this picture", n),
				Hint: "scan at a lower resolution or a smaller area, or run the same command with --again"})
			return m, nil
		}
		end, err := underway.Dir(w.out).Begin(p)
		if err != nil {
			return nil, outputError(w.out, "cannot be written: "+err.Error(), "check who may write there")
		}
		defer end()
	}
	if w.begins != nil {
		w.begins(j)
	}
	sample, err := w.settings.Grade(ctx, m.files, j.facts.Sheet, pipeline.Options{Keep: func(i int, p *vision.Picture, _ *kernel.Tray) error {
		if len(w.reports) > 0 && p.Width*p.Height <= keptPixels {
			photo := report.NewPhoto(toNRGBA(p))
			m.photos[i] = &photo
		}
		return nil
	}})
	if err == nil {
		m.warnings, m.good = sample.Result.Warnings, bench.Good(sample.Result)
		m.rec, err = sample.Record(j.entered())
	}
	if err = inStandardWords(err, ""); err == nil {
		return m, nil
	}
	if code := codeOf(err); code != exitInput && code != exitUngraded && code != exitMemory {
		return nil, err
	}
	m.refuseFor(err)
	m.note = pipeline.OfPicture(err)
	return m, nil
}

// enter registers what was measured, or notes that it could not be graded.
func (w *intake) enter(ctx context.Context, m *intaken) error {
	switch {
	case m.note:
		return w.register.Refuse(ctx, m.key, samples.Refusal{Path: m.files[0].Picture.Path, At: time.Now(), Reason: m.Reason, Hint: m.Hint})
	case m.State == stateRefused:
		return nil
	case m.known != "":
		return w.know(ctx, m, m.known)
	}
	added, err := w.register.Add(ctx, m.rec)
	switch {
	case errors.Is(err, samples.ErrCodeTaken):
		m.refuseFor(err)
		return nil
	case err != nil:
		return err
	case !added: // the same picture again, or another program was quicker
		return w.know(ctx, m, m.rec.Code)
	}
	m.State = stateGraded
	return nil
}

// know tells of a sample whose pictures are registered already. A row of the
// list that asks for another sample is refused, and one whose facts the
// register does not have is told: nothing falls out unseen.
func (w *intake) know(ctx context.Context, m *intaken, code string) error {
	m.State = stateKnown
	rec, err := w.register.Get(ctx, code, 0)
	if err != nil {
		return err
	}
	m.rec = rec
	here := printed(m.Pictures)
	var paths []string
	for _, p := range rec.Pictures {
		paths = append(paths, p.Path)
	}
	there := printed(paths)
	differ := rec.Facts.Differ(&m.facts)
	if len(differ) > 0 && rec.Revision > 1 { // amended since it was listed
		first, err := w.register.Get(ctx, code, 1)
		if err != nil {
			return err
		}
		if len(first.Facts.Differ(&m.facts)) == 0 {
			differ = nil
		}
	}
	if m.facts.IsZero() {
		differ = nil
	}
	switch {
	case m.code != "" && m.code != code && !slices.Contains(rec.FormerCodes, m.code):
		m.State, m.Reason = stateRefused, fmt.Sprintf("%s: the same picture is registered already, as sample %s (%s)", here, code, there)
		m.Hint = fmt.Sprintf("scan the rice of %s itself, or write %s in the list", m.code, code)
	case len(differ) > 0 && here != there:
		m.State, m.Reason = stateRefused, fmt.Sprintf("%s: the same picture is registered already, as sample %s (%s), with other facts: %s", here, code, there, strings.Join(differ, ", "))
		m.Hint = "scan the rice itself, or take the row out of the list"
	case len(differ) > 0:
		m.Reason = fmt.Sprintf("%s: sample %s is registered with other facts than the list has: %s", here, code, strings.Join(differ, ", "))
		m.Hint = "the register stays as it is; traytally log amend " + code + " --why TEXT corrects it"
	case rec.Withdrawn:
		m.Reason = fmt.Sprintf("%s: sample %s was withdrawn", here, code)
		m.Hint = "traytally log show " + code + " says why; traytally log withdraw " + code + " --undo --why TEXT takes it back"
	case here != there:
		m.Reason = "a copy of " + there
	}
	return nil
}

// fileName returns the name of a sample's reports without the ending.
func (w *intake) fileName(ctx context.Context, code string) (name string, err error) {
	w.naming.Lock()
	defer w.naming.Unlock()
	if w.names[code] == "" {
		w.names, err = w.register.FileNames(ctx)
	}
	return w.names[code], err
}

// finish writes the reports of a registered sample where they are missing,
// damaged or of another revision, and fills in its row.
func (w *intake) finish(ctx context.Context, m *intaken) error {
	if m.State == stateRefused {
		return nil
	}
	rec, err := w.register.Get(ctx, m.rec.Code, 0)
	if err != nil {
		return err
	}
	if m.Sample, err = rec.Row(); err != nil {
		return err
	}
	m.noPDF, err = w.report(ctx, rec, m.photo)
	return err
}

// report writes the reports of a record where they are missing, damaged or of
// another revision. noPDF says why there is none, where it cannot be printed.
func (w *intake) report(ctx context.Context, rec *samples.Record, photo func(*samples.Picture) report.Photo) (noPDF, err error) {
	name, err := w.fileName(ctx, rec.Code)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(w.out, name)
	if !slices.ContainsFunc(w.reports, func(ending string) bool { return !wholeReport(path+"."+ending, rec, w.words) }) {
		return nil, nil
	}
	in, err := reportInput(ctx, w.register, rec, photo)
	if err != nil {
		return nil, err
	}
	in.Words = w.words
	err = writeSet(ctx, reportFiles(ctx, in, path, w.reports), true)
	if _, lacks := errors.AsType[*report.LettersError](err); !lacks {
		return nil, err
	}
	w.naming.Lock()
	w.noPDF[rec.Code] = true
	w.naming.Unlock()
	return err, writeSet(ctx, reportFiles(ctx, in, path, []string{"html"}), true)
}

// photo returns a picture of the sample for its report.
func (m *intaken) photo(want *samples.Picture) report.Photo {
	for i, f := range m.files {
		if f.Picture.SHA256 == want.SHA256 {
			if p := m.photos[i]; p != nil {
				return *p
			}
			return photo(f, want)
		}
	}
	return photo(nil, want)
}

// summary returns the files that sum up a folder.
func (w *intake) summary(title string, jobs []*job, refresh int) ([]outFile, error) {
	var rows []samples.Row
	in := report.Index{Words: w.words, Title: title, RefreshS: refresh}
	listed := map[string]bool{} // a picture may lie there twice
	for _, o := range jobs {
		if o.Sample != nil {
			if !listed[o.Sample.Code] && !o.Sample.Withdrawn {
				listed[o.Sample.Code] = true
				rows = append(rows, *o.Sample)
			}
		} else if o.State == stateRefused {
			in.Refused = append(in.Refused, samples.Refusal{Path: printed(o.Pictures), Reason: plain(o.Reason), Hint: plain(o.Hint)})
		}
	}
	slices.SortStableFunc(rows, func(a, b samples.Row) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Code, b.Code))
	})
	if len(rows) > 1 {
		charts, err := samples.TrendOf(rows, "")
		if err != nil {
			return nil, err
		}
		in.Chart = &charts[0]
	}
	for _, r := range slices.Backward(rows) {
		ir, name, noPDF := report.IndexRow{Row: r}, url.PathEscape(w.names[r.Code]), w.noPDF[r.Code]
		if noPDF || slices.Contains(w.reports, "html") {
			ir.HTML = name + ".html"
		}
		if !noPDF && slices.Contains(w.reports, "pdf") {
			ir.PDF = name + ".pdf"
		}
		in.Rows = append(in.Rows, ir)
	}
	return []outFile{
		{filepath.Join(w.out, "summary.csv"), func(out io.Writer) error { return samples.WriteCSV(out, rows, in.Refused...) }},
		{filepath.Join(w.out, "summary.xlsx"), func(out io.Writer) error { return samples.WriteXLSX(out, rows, in.Refused...) }},
		{filepath.Join(w.out, "index.html"), func(out io.Writer) error { return report.WriteIndex(out, in) }},
	}, nil
}
