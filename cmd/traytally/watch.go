package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
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
	o := watchOptions{settle: 2}
	cmd := &cobra.Command{
		Use:   "watch FOLDER",
		Short: "Grade and register every picture that comes into a folder",
		Long: `Waits for pictures in a folder. Each is graded, registered and reported as soon
as it is fully written: when its size and time have stood still for --settle
seconds and the file is complete. index.html in the output directory lists all,
and is written anew after each. Each line begins with the time; a picture that
is a copy of a known one is told. Stop it with Ctrl-C: the last lines say what
became of all.

A picture that cannot be graded is named with the reason once it has stood still
for ten times as long, and stands in index.html until it is scanned again or
taken away. After a kill or a crash the same command goes on where it ended.
When the standard output cannot be written any more, watching ends.

` + folderHelp + `

` + registerHelp,
		Example: `  traytally watch scans
  traytally watch /srv/scans --standard us-long --settle 5 --out /srv/reports`,
		Args: needsFolder,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.folder = args[0]
			return runWatch(cmd.Context(), o, u)
		},
	}
	o.add(cmd)
	cmd.Flags().Var(&ranged{v: &o.settle, min: 0.1, max: 600}, "settle", "`SECONDS` that a picture must stand still before it is read")
	return cmd
}

// A stamp is what tells whether a file changed.
type stamp struct {
	size int64
	time time.Time
}

// A watched is the state of a picture in the folder.
type watched struct {
	stamp
	since time.Time // when the stamp was first seen
}

// A watcher knows what was done with the pictures of a folder.
type watcher struct {
	o    watchOptions
	w    *intake
	u    *ui
	seen map[string]watched // by the name in the folder
	done map[string]outcome // by the job's pictures and their stamps
	// began, graded, doubtful and untold count for the last words: samples
	// graded since the start, those of them with doubts, and copies.
	began                    time.Time
	graded, doubtful, copies int
	// complaint is what was last said of the list, so that it is said once.
	complaint string

	// What a page over the folder takes part by. Without one nobody reads the news.
	news  *bench.News
	given map[string]bench.Next // what is entered with a picture, by its name
	whole sync.Map              // names of pictures that need not settle
	wake  chan struct{}         // something is to be looked at
	stale atomic.Bool           // the index is out of date
}

func newWatcher(o watchOptions, w *intake, u *ui) *watcher {
	return &watcher{
		o: o, w: w, u: u, seen: map[string]watched{}, done: map[string]outcome{}, began: time.Now(),
		news: bench.NewNews(), given: map[string]bench.Next{}, wake: make(chan struct{}, 1),
	}
}

func runWatch(ctx context.Context, o watchOptions, u *ui) error {
	// A pipe that nobody reads any more is told, and ends the watching in order.
	signal.Ignore(syscall.SIGPIPE)
	if err := o.check(); err != nil {
		return err
	}
	w, err := o.start(ctx, u)
	if err != nil {
		return err
	}
	defer w.register.Close()
	u.timed = true
	if !o.quiet {
		if err := u.print(func(out io.Writer) {
			fmt.Fprintf(out, "%sWatching %s; reports and index.html: %s; register: %s\n", u.time(), plain(o.folder), plain(w.out), plain(w.register.Where()))
		}); err != nil {
			return err
		}
	}
	return newWatcher(o, w, u).watch(ctx)
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
			pause(ctx, min(wait, s.settle()/10))
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

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
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
		info, err := os.Stat(filepath.Join(s.o.folder, name))
		if err != nil {
			continue // gone again
		}
		there[name] = true
		st := stamp{info.Size(), info.ModTime()}
		before, known := s.seen[name]
		if !known || before.stamp != st {
			if !known || s.ended(name) {
				s.given[name] = s.take(name)
			}
			before = watched{st, now}
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
			delete(s.given, name)
			s.news.Drop([]string{name})
			changed = true
		}
	}
	list, err := s.o.listed()
	if err != nil {
		if s.complaint != err.Error() {
			s.complaint = err.Error()
			s.u.warn("nothing is graded until the list of samples can be read: "+err.Error(), hintOf(err))
			s.news.Trouble(err.Error())
		}
		return wait, changed, nil
	}
	s.complaint = ""
	s.news.Trouble("")
	jobs, _ := s.o.jobs(settled, list)
	s.enter(jobs)
	jobs = slices.DeleteFunc(jobs, func(j job) bool {
		if !s.still(j, 1) {
			return true
		}
		_, done := s.done[s.name(j)]
		return done
	})
	if len(jobs) == 0 {
		return wait, changed, nil
	}
	names = make([]string, len(jobs))
	for i, j := range jobs {
		names[i] = s.name(j)
	}
	s.u.progress("%s to grade", count(len(jobs), "sample", "samples"))
	next := time.Duration(0)
	err = s.w.each(ctx, jobs, func(i int, out outcome) error {
		if out.State == stateRefused && !s.still(jobs[i], patience) {
			next = min(pollEvery, s.settle()) // looked at again
			s.waits(jobs[i].pictures)
			return nil
		}
		s.done[names[i]] = out
		changed = true
		s.tell(out)
		return s.say(out)
	})
	s.u.done()
	return next, changed, err
}

// still reports whether all pictures of a job have stood still for so many
// times to settle; listed ones may lie outside the folder, and count as settled.
func (s *watcher) still(j job, times time.Duration) bool {
	for _, p := range j.pictures {
		if at, known := s.seen[filepath.Base(p)]; known && filepath.Dir(p) == filepath.Clean(s.o.folder) && time.Since(at.since) < times*s.settle() {
			return false
		}
	}
	return true
}

// name is the identity of a job while its pictures and facts stay as they are.
func (s *watcher) name(j job) string {
	facts, _ := json.Marshal(j.facts) // plain data
	out := j.code + "\x00" + string(facts)
	for _, p := range j.pictures {
		st := stamp{}
		if info, err := os.Stat(p); err == nil {
			st = stamp{info.Size(), info.ModTime()}
		}
		out += fmt.Sprintf("\x00%s\x00%d\x00%d", p, st.size, st.time.UnixNano())
	}
	return out
}

// say tells what became of a sample, in one line.
func (s *watcher) say(out outcome) error {
	out.warn(s.u)
	copied := out.State == stateKnown && out.Reason != "" && out.Hint == ""
	switch {
	case out.State == stateGraded:
		s.graded++
		if out.Sample.Doubts() != "" {
			s.doubtful++
		}
	case copied:
		s.copies++
	}
	if s.o.quiet || out.State != stateGraded && !copied {
		return nil
	}
	return s.u.print(func(w io.Writer) {
		fmt.Fprintf(w, "%s%s  %s  ", s.u.time(), plain(out.Sample.Code), printed(out.Pictures))
		if copied {
			fmt.Fprintf(w, "%s, registered before\n", plain(out.Reason))
			tellStanding(w, out.Sample, s.u.time())
			return
		}
		fmt.Fprintf(w, "%s, %s\n", count(out.Sample.Kernels, "kernel", "kernels"), brokenText(out.Sample))
		for _, doubt := range out.warnings {
			fmt.Fprintf(w, "%s  warning: %s\n", s.u.time(), plain(warningText(doubt)))
		}
	})
}

// sumUp ends the watching with what became of all that came.
func (s *watcher) sumUp() error {
	s.u.done()
	if s.o.quiet {
		return nil
	}
	list, _ := s.o.listed()
	var names, refused []string
	for n := range s.seen {
		names = append(names, n)
	}
	jobs, waiting := s.o.jobs(slices.Sorted(slices.Values(names)), list)
	for _, j := range jobs {
		if out, ok := s.done[s.name(j)]; ok && out.State == stateRefused {
			refused = append(refused, printed(out.Pictures))
		}
	}
	return s.u.print(func(w io.Writer) {
		fmt.Fprintf(w, "%sEnd of watching, begun at %s: %s graded, %d of them not proven or with a warning; %s; %d not graded.\n",
			s.u.time(), s.began.Format("15:04:05"), count(s.graded, "sample", "samples"), s.doubtful, count(s.copies, "copy", "copies"), len(refused))
		for _, r := range refused {
			fmt.Fprintf(w, "  not graded: %s\n", r)
		}
		for _, out := range waiting {
			fmt.Fprintf(w, "  %s\n", plain(out.Reason))
		}
	})
}

// index writes the page over the folder, and the tables.
func (s *watcher) index(ctx context.Context) error {
	list, _ := s.o.listed()
	names := make([]string, 0, len(s.seen))
	for n := range s.seen {
		names = append(names, n)
	}
	slices.Sort(names)
	jobs, now := s.o.jobs(names, list)
	rows, err := s.w.register.List(ctx, samples.Query{})
	if err != nil {
		return err
	}
	present := map[string]*samples.Row{} // some may have been amended
	for i := range rows {
		present[rows[i].Code] = &rows[i]
	}
	for _, j := range jobs {
		if out, ok := s.done[s.name(j)]; ok {
			if out.Sample != nil && present[out.Sample.Code] != nil {
				out.Sample = present[out.Sample.Code]
			}
			now = append(now, out)
		}
	}
	files, err := s.w.summary(filepath.Base(absOr(s.o.folder)), now, 15)
	if err != nil {
		return err
	}
	return writeSet(ctx, files, true)
}
