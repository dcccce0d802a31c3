package pipeline

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"traytally/grading"
	"traytally/samples"
	"traytally/vision"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Options say what else is wanted while pictures are measured.
type Options struct {
	// Keep is called, by several goroutines, with each open picture once it is
	// measured; nil: nothing is kept. i counts the pictures of the sample.
	Keep func(i int, p *vision.Picture, t *kernel.Tray) error
	// Progress tells for people what is being done; nil: nobody is told.
	Progress func(format string, a ...any)
}

// Grade measures the pictures of one sample and judges it. sheet holds what no
// picture shows; nil: nothing is known.
func (s *Settings) Grade(ctx context.Context, files []*Source, sheet *grading.Sheet, o Options) (*Sample, error) {
	trays, err := s.measure(ctx, files, o)
	if err != nil {
		return nil, err
	}
	g := &Sample{Pictures: Pictures(files), settings: s}
	if err := refuseTwice(files, s.picked); err != nil {
		return nil, err
	}
	params := s.recorded.Params
	g.Trays, params.NotAssessed = grading.Flag(trays, s.profile)
	if g.Result, err = grading.Analyse(g.Trays, params); err != nil {
		if !strings.Contains(err.Error(), files[0].Name) {
			err = fmt.Errorf("%s: %w", names(files), err)
		}
		return nil, ofPicture(err)
	}
	profile := s.profile
	g.Result.ColourProfile = &profile
	g.Result.Versions["traytally"] = Version
	maps.Copy(g.Result.Versions, vision.Versions())
	if s.standard != nil {
		g.Result.Grade, err = grading.Evaluate(g.Result.Sample, s.standard, sheet)
	}
	g.Result.CheckMass(sheet)
	return g, err
}

// names are the pictures of a sample as they were given.
func names(files []*Source) string {
	var all []string
	for _, f := range files {
		all = append(all, f.Name)
	}
	return strings.Join(all, ", ")
}

// refuseTwice refuses the same picture given twice: its kernels would count
// double and the interval would come out too narrow.
func refuseTwice(files []*Source, picked []samples.Picture) error {
	first := map[string]string{}
	for _, p := range picked {
		first[p.SHA256] = p.Path
	}
	for _, f := range files {
		if before, ok := first[f.Picture.SHA256]; ok {
			what := "is given twice"
			if before != f.Name && before != f.Picture.Path {
				what = "is the same picture as " + before
			}
			return &fault.Error{Path: f.Name, What: what, Hint: "name each picture once; its kernels would count double"}
		}
		first[f.Picture.SHA256] = f.Name
	}
	return nil
}

// atOnce is how many pictures are measured at a time: measuring uses all cores
// itself for a part of its time, so that two fill them. Our own choice.
const atOnce = 2

// largePixels is the picture size from which only one is measured at a time:
// measuring takes up to 12 bytes a pixel.
const largePixels = 60_000_000

// The memory is the machine's, and so are the places in it.
var (
	places = make(chan struct{}, atOnce)
	large  sync.Mutex
)

// measure measures pictures, several at a time, and tells of the first one in
// order that cannot be used.
func (s *Settings) measure(ctx context.Context, files []*Source, o Options) ([]kernel.Tray, error) {
	type measured struct {
		tray *kernel.Tray
		err  error
	}
	trays := make([]kernel.Tray, 0, len(files))
	err := InOrder(ctx, len(files), func(ctx context.Context, i int) (measured, error) {
		t, err := s.measureOne(ctx, i, files, o)
		return measured{t, err}, nil
	}, func(_ context.Context, _ int, m measured) error {
		if m.err == nil {
			trays = append(trays, *m.tray)
		}
		return m.err
	})
	if err != nil {
		return nil, err
	}
	return trays, ctx.Err()
}

func (s *Settings) measureOne(ctx context.Context, i int, files []*Source, o Options) (*kernel.Tray, error) {
	select {
	case places <- struct{}{}:
		defer func() { <-places }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if o.Progress != nil {
		o.Progress("measuring %s (%d of %d)", files[i].Name, i+1, len(files))
	}
	p, err := files[i].Decode()
	if err != nil {
		return nil, err
	}
	defer p.Close()
	if int64(p.Width)*int64(p.Height) > largePixels {
		large.Lock()
		defer large.Unlock()
	}
	t, err := vision.MeasureBy(ctx, p, s.method)
	if err == nil && o.Keep != nil {
		return t, o.Keep(i, p, t)
	}
	return t, ofPicture(err)
}

// A pictureFault is an error that comes of what the sample's pictures show.
type pictureFault struct{ error }

func (e pictureFault) Unwrap() error { return e.error }

// ofPicture marks an error of decoding, measuring or judging a picture, where it
// is one of the picture and not of the machine, the disk or a cancellation.
func ofPicture(err error) error {
	// One for which memory is short another machine measures.
	if e := fault.Of(err); e != nil && (e.Kind == fault.Input || e.Kind == fault.Sample) {
		return pictureFault{err}
	}
	return err
}

// OfPicture reports whether an error comes of what the sample's pictures show,
// so that the same files would give it again under the same settings.
func OfPicture(err error) bool {
	_, ok := errors.AsType[pictureFault](err)
	return ok
}

// InOrder makes n things, several at a time, and hands each to take: in order
// and one after the other. Few are made ahead of the one that is taken. The
// first error of either ends all and is returned.
func InOrder[T any](ctx context.Context, n int, produce func(ctx context.Context, i int) (T, error), take func(ctx context.Context, i int, v T) error) error {
	g, ctx := errgroup.WithContext(ctx)
	made := make([]chan T, n)
	begin := func(i int) {
		if i >= n {
			return
		}
		one := make(chan T, 1)
		made[i] = one
		g.Go(func() error {
			v, err := produce(ctx, i)
			if err == nil {
				one <- v
			}
			return err
		})
	}
	for i := range atOnce + 1 {
		begin(i)
	}
	g.Go(func() error {
		for i := range n {
			select {
			case v := <-made[i]:
				begin(i + atOnce + 1)
				if err := take(ctx, i, v); err != nil {
					return err
				}
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	return g.Wait()
}
