package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/spf13/cobra"

	"traytally/cmd/traytally/internal/bench"
	"traytally/samples"
)

// watchOptions are the flags of the watch command.
type watchOptions struct {
	folderOptions
	settle float64 // s
}

// pollEvery is how often the folder is read through even where the system
// tells of no change, as over a network.
const pollEvery = 2 * time.Second

// patience is how many times to settle a picture that cannot be used must have
// stood still before that is told: a scanner or a network may pause in the
// middle of a file. Our own choice.
const patience = 10

func newWatchCommand(u *ui) *cobra.Command {
	o := &watchOptions{settle: 2}
	return o.command("watch", func(ctx context.Context) error {
		s, err := o.begin(ctx, u, "")
		if err != nil {
			return err
		}
		defer s.w.register.Close()
		return s.watch(ctx)
	})
}

func (o *watchOptions) command(name string, run func(ctx context.Context) error) *cobra.Command {
	cmd := o.folderOptions.command(name, run)
	cmd.Flags().Var(&ranged{v: &o.settle, min: 0.1, max: 600}, "settle", "`SECONDS` that a picture must stand still before it is read")
	return cmd
}

// begin opens what watching needs and says what is watched; page is where a
// browser finds it, if at all.
func (o *watchOptions) begin(ctx context.Context, u *ui, page string) (*watcher, error) {
	// A pipe that nobody reads any more is told, and ends the watching in order.
	signal.Ignore(syscall.SIGPIPE)
	w, err := o.start(ctx, u)
	if err != nil {
		return nil, err
	}
	u.timed = true
	if !o.quiet {
		err = u.print(func(out io.Writer) {
			if page != "" {
				fmt.Fprintf(out, "%sThe bench is at %s\n", u.time(), page)
			}
			fmt.Fprintf(out, "%sWatching %s; reports and index.html: %s; register: %s\n", u.time(), plain(o.folder), plain(w.out), plain(w.register.Where()))
		})
	}
	if err != nil {
		w.register.Close()
		return nil, err
	}
	return newWatcher(*o, w, u), nil
}

// A stamp is what tells whether a file changed.
type stamp struct {
	size int64
	time time.Time
}

func stampOf(path string) (stamp, error) {
	info, err := os.Stat(path)
	if err != nil {
		return stamp{}, err
	}
	return stamp{info.Size(), info.ModTime()}, nil
}

// A watched is the state of a picture in the folder.
type watched struct {
	stamp
	since time.Time  // when the stamp was first seen
	given bench.Next // what is entered with it
}

// A watcher knows what was done with the pictures of a folder.
type watcher struct {
	o    watchOptions
	w    *intake
	u    *ui
	seen map[string]watched // by the name in the folder
	done map[string]*job    // by the job's pictures and their stamps
	// began, graded, doubtful and untold count for the last words: samples
	// graded since the start, those of them with doubts, and copies.
	began                    time.Time
	graded, doubtful, copies int

	// What a page over the folder takes part by. Without one nobody reads the news.
	news  *bench.News
	whole sync.Map      // names of pictures that need not settle
	wake  chan struct{} // something is to be looked at
	stale atomic.Bool   // the index is out of date
}

func newWatcher(o watchOptions, w *intake, u *ui) *watcher {
	return &watcher{
		o: o, w: w, u: u, seen: map[string]watched{}, done: map[string]*job{}, began: time.Now(),
		news: bench.NewNews(), wake: make(chan struct{}, 1),
	}
}

// watch grades what comes until ctx is done.
func (s *watcher) watch(ctx context.Context) error {
	if tell, err := fsnotify.NewWatcher(); err == nil {
		defer tell.Close()
		if err := tell.Add(s.o.folder); err == nil {
			go s.passOn(tell)
		}
	}
	first := true
	for {
		wait, changed, err := s.round(ctx)
		if stale := s.stale.Swap(false); err == nil && (changed || first || stale) {
			err = s.index(ctx)
			first = false
		}
		if ctx.Err() != nil {
			return s.sumUp() // being stopped is how watching ends
		}
		if err != nil {
			return err
		}
		select {
		case <-ctx.Done():
		case <-s.wake:
			// Not at every write of a scan: at most every tenth of the wait.
			select {
			case <-ctx.Done():
			case <-time.After(min(wait, s.settle()/10)):
			}
		case <-time.After(wait):
		}
	}
}

// passOn tells of every event until the watcher is closed, and of every error:
// some events may be lost then, and left unread it would stop the others.
func (s *watcher) passOn(tell *fsnotify.Watcher) {
	for open := true; open; {
		select {
		case _, open = <-tell.Events:
		case _, open = <-tell.Errors:
		}
		s.look()
	}
}

// look makes the watching look through the folder soon.
func (s *watcher) look() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

func (s *watcher) settle() time.Duration { return time.Duration(s.o.settle * float64(time.Second)) }

// round looks through the folder once and does what is ready. It returns how
// long nothing needs to be looked at, and whether the index is out of date.
func (s *watcher) round(ctx context.Context) (wait time.Duration, changed bool, err error) {
	wait = pollEvery
	if err := s.w.register.Present(ctx); err != nil {
		return wait, false, err
	}
	names, err := s.o.found()
	if err != nil {
		return wait, false, err
	}
	now := time.Now()
	var settled []string
	there := map[string]bool{}
	for _, name := range names {
		st, err := stampOf(filepath.Join(s.o.folder, name))
		if err != nil {
			continue // gone again
		}
		there[name] = true
		before, known := s.seen[name]
		if !known || before.stamp != st {
			if !known || s.ended(name) {
				before.given = s.take(name)
			}
			before.stamp, before.since = st, now
			if _, whole := s.whole.LoadAndDelete(name); whole {
				before.since = time.Time{}
			}
			s.seen[name] = before
		}
		if rest := before.since.Add(s.settle()).Sub(now); rest > 0 {
			wait = min(wait, rest)
			continue
		}
		settled = append(settled, name)
	}
	for name := range s.seen {
		if !there[name] {
			delete(s.seen, name)
			s.news.Drop([]string{name})
			changed = true
		}
	}
	list, err := s.o.listed()
	if err != nil {
		if s.news.Trouble(err.Error()) { // said once
			s.u.warn("nothing is graded until the list of samples can be read: "+err.Error(), hintOf(err))
		}
		return wait, changed, nil
	}
	s.news.Trouble("")
	jobs, _ := s.o.jobs(settled, list)
	for _, j := range jobs {
		if len(j.Pictures) == 1 {
			j.given = s.seen[filepath.Base(j.Pictures[0])].given
		}
	}
	jobs = slices.DeleteFunc(jobs, func(j *job) bool {
		j.name = s.name(j)
		return !s.still(j, 1) || s.done[j.name] != nil
	})
	if len(jobs) == 0 {
		return wait, changed, nil
	}
	s.u.progress("%s to grade", count(len(jobs), "sample", "samples"))
	next := time.Duration(0)
	err = s.w.each(ctx, jobs, func(i int) error {
		j := jobs[i]
		if j.State == stateRefused && !s.still(j, patience) {
			next = min(pollEvery, s.settle()) // looked at again
			s.waits(j.Pictures)
			return nil
		}
		s.done[j.name] = j
		changed = true
		s.tell(j)
		return s.say(j)
	})
	s.u.done()
	return next, changed, err
}

// still reports whether all pictures of a job have stood still for so many
// times to settle; listed ones may lie outside the folder, and count as settled.
func (s *watcher) still(j *job, times time.Duration) bool {
	for _, p := range j.Pictures {
		if at, known := s.seen[filepath.Base(p)]; known && filepath.Dir(p) == filepath.Clean(s.o.folder) && time.Since(at.since) < times*s.settle() {
			return false
		}
	}
	return true
}

// name is the identity of a job while its pictures and facts stay as they are.
func (s *watcher) name(j *job) string {
	facts, _ := json.Marshal(j.facts) // plain data
	out := j.code + "\x00" + string(facts)
	for _, p := range j.Pictures {
		st, _ := stampOf(p)
		out += fmt.Sprintf("\x00%s\x00%d\x00%d", p, st.size, st.time.UnixNano())
	}
	return out
}

// say tells what became of a sample, in one line.
func (s *watcher) say(j *job) error {
	j.warn(s.u)
	copied := j.State == stateKnown && j.Reason != "" && j.Hint == ""
	switch {
	case j.State == stateGraded:
		s.graded++
		if j.Sample.Doubts(nil) != "" {
			s.doubtful++
		}
	case copied:
		s.copies++
	}
	if s.o.quiet || j.State != stateGraded && !copied {
		return nil
	}
	return s.u.print(func(w io.Writer) {
		fmt.Fprintf(w, "%s%s  %s  ", s.u.time(), plain(j.Sample.Code), printed(j.Pictures))
		if copied {
			fmt.Fprintf(w, "%s, registered before\n", plain(j.Reason))
			tellStanding(w, j.Sample, s.u.time())
			return
		}
		fmt.Fprintf(w, "%s, %s\n", count(j.Sample.Kernels, "kernel", "kernels"), brokenText(j.Sample))
		for _, doubt := range j.warnings {
			fmt.Fprintf(w, "%s  warning: %s\n", s.u.time(), plain(warningText(doubt)))
		}
	})
}

// jobs are those of all pictures that are there; waiting are the listed samples
// of which one is not.
func (s *watcher) jobs() (jobs, waiting []*job) {
	list, _ := s.o.listed()
	return s.o.jobs(slices.Sorted(maps.Keys(s.seen)), list)
}

// sumUp ends the watching with what became of all that came.
func (s *watcher) sumUp() error {
	s.u.done()
	if s.o.quiet {
		return nil
	}
	var refused []string
	jobs, waiting := s.jobs()
	for _, j := range jobs {
		if done := s.done[s.name(j)]; done != nil && done.State == stateRefused {
			refused = append(refused, printed(j.Pictures))
		}
	}
	return s.u.print(func(w io.Writer) {
		fmt.Fprintf(w, "%sEnd of watching, begun at %s: %s graded, %d of them not proven or with a warning; %s; %d not graded.\n",
			s.u.time(), s.began.Format("15:04:05"), count(s.graded, "sample", "samples"), s.doubtful, count(s.copies, "copy", "copies"), len(refused))
		for _, r := range refused {
			fmt.Fprintf(w, "  not graded: %s\n", r)
		}
		for _, j := range waiting {
			fmt.Fprintf(w, "  %s\n", plain(j.Reason))
		}
	})
}

// index writes the page over the folder, and the tables.
func (s *watcher) index(ctx context.Context) error {
	jobs, now := s.jobs()
	rows, err := s.w.register.List(ctx, samples.Query{})
	if err != nil {
		return err
	}
	present := map[string]*samples.Row{} // some may have been amended
	for i := range rows {
		present[rows[i].Code] = &rows[i]
	}
	for _, j := range jobs {
		if done := s.done[s.name(j)]; done != nil {
			shown := *done
			if shown.Sample != nil {
				shown.Sample = cmp.Or(present[shown.Sample.Code], shown.Sample)
			}
			now = append(now, &shown)
		}
	}
	files, err := s.w.summary(filepath.Base(absOr(s.o.folder)), now, 15)
	if err != nil {
		return err
	}
	return writeSet(ctx, files, true)
}
