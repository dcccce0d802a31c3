package main

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"traytally/cmd/traytally/internal/bench"
	"traytally/cmd/traytally/internal/pipeline"
	"traytally/samples"
	"traytally/samples/report"
	"traytally/samples/words"
)

// benchOptions are the flags of the bench command.
type benchOptions struct {
	watchOptions
	listen    string
	hosts     []string
	tokenFile string
	cert, key string
	pictures  []string
}

// benchAddress is where the page is without --listen: this machine alone, a
// port that no common service has.
const benchAddress = "127.0.0.1:7423"

// tokenVariable holds the token where --token-file does not.
const tokenVariable = "TRAYTALLY_TOKEN"

// leastToken is the least length of a token, in characters: with a second
// between tries a random one of 12 is not found. Our own choice.
const leastToken = 12

func newBenchCommand(u *ui) *cobra.Command {
	o := &benchOptions{watchOptions: watchOptions{settle: 2}, listen: benchAddress}
	cmd := o.command("bench", func(ctx context.Context) error { return runBench(ctx, *o, u) })
	f := cmd.Flags()
	f.StringVar(&o.listen, "listen", o.listen, "`ADDRESS` and port of the page; another than this machine's own needs a token")
	f.StringArrayVar(&o.hosts, "host", nil, "`NAME` by which other machines call this one; may be repeated")
	f.StringVar(&o.tokenFile, "token-file", "", "`FILE` whose first line is the token that the page asks for")
	f.StringVar(&o.cert, "tls-cert", "", "certificate in `FILE` (PEM), to serve over TLS")
	f.StringVar(&o.key, "tls-key", "", "its key in `FILE` (PEM)")
	f.StringArrayVar(&o.pictures, "pictures", nil, "`DIR` to look for pictures that were moved; may be repeated")
	return cmd
}

// A benchPlace is where the page is served.
type benchPlace struct {
	listener net.Listener
	bench.Options
	url string
}

// openPlace checks who may speak to the page and takes its address.
func (o *benchOptions) openPlace(u *ui) (*benchPlace, error) {
	host, port, err := net.SplitHostPort(o.listen)
	if err != nil {
		return nil, usageError(fmt.Sprintf("--listen %q is no address with a port", o.listen), "for example --listen 192.168.1.20:7423")
	}
	p := &benchPlace{}
	if p.Token, err = o.token(); err != nil {
		return nil, err
	}
	ip := net.ParseIP(host)
	here := host == "localhost" || ip != nil && ip.IsLoopback()
	if !here && p.Token == "" {
		return nil, usageError("--listen "+o.listen+" lets other machines in, and no token is set", "write one into a file that only you may read, and give it with --token-file")
	}
	var secure *tls.Config
	switch {
	case (o.cert == "") != (o.key == ""):
		return nil, usageError("--tls-cert and --tls-key belong together", "give both")
	case o.cert != "":
		c, err := tls.LoadX509KeyPair(o.cert, o.key)
		if err != nil {
			return nil, inputError(o.cert, "cannot be used as a certificate: "+err.Error(), "both files are PEM, and belong to each other")
		}
		secure = &tls.Config{Certificates: []tls.Certificate{c}, MinVersion: tls.VersionTLS12}
	case !here:
		u.warn("without TLS others on the network can read the token and the pages", "give a certificate with --tls-cert and --tls-key")
	}
	if p.listener, err = net.Listen("tcp", o.listen); err != nil {
		return nil, usageError("the page cannot be served at "+o.listen+": "+err.Error(), "perhaps another bench runs there; give another address or port with --listen")
	}
	port = strconv.Itoa(p.listener.Addr().(*net.TCPAddr).Port)
	names := slices.Clone(o.hosts)
	switch {
	case here:
		names = append(names, "127.0.0.1", "localhost", "::1", host)
	case ip == nil || !ip.IsUnspecified():
		names = append(names, host)
	default:
		addresses, _ := net.InterfaceAddrs()
		for _, a := range addresses {
			if n, ok := a.(*net.IPNet); ok {
				names = append(names, n.IP.String())
			}
		}
		if name, err := os.Hostname(); err == nil {
			names = append(names, name)
		}
		names = append(names, "localhost")
	}
	scheme, usual := "http", "80"
	if secure != nil {
		scheme, usual, p.Secure = "https", "443", true
		p.listener = tls.NewListener(p.listener, secure)
	}
	for _, n := range names {
		at := strings.ToLower(net.JoinHostPort(n, port))
		p.Hosts = append(p.Hosts, at)
		if port == usual {
			p.Hosts = append(p.Hosts, strings.TrimSuffix(at, ":"+port))
		}
	}
	if host == "" || ip != nil && ip.IsUnspecified() {
		host = names[0]
	}
	p.url = scheme + "://" + net.JoinHostPort(host, port) + "/"
	return p, nil
}

// token reads the token; empty: none is asked for.
func (o *benchOptions) token() (string, error) {
	text, from := os.Getenv(tokenVariable), tokenVariable
	if o.tokenFile != "" {
		data, err := readFile(o.tokenFile, 1<<16)
		if err != nil {
			return "", err
		}
		text, from = string(data), o.tokenFile
	} else if text == "" {
		return "", nil
	}
	line, _, _ := strings.Cut(text, "\n")
	line = strings.TrimSpace(line)
	if utf8.RuneCountInString(line) < leastToken {
		return "", inputError(from, fmt.Sprintf("holds a token of fewer than %d characters", leastToken), "take a longer one, for example from: openssl rand -hex 16")
	}
	return line, nil
}

func runBench(ctx context.Context, o benchOptions, u *ui) error {
	place, err := o.openPlace(u)
	if err != nil {
		return err
	}
	defer place.listener.Close()
	s, err := o.begin(ctx, u, place.url)
	if err != nil {
		return err
	}
	defer s.w.register.Close()
	s.w.begins = s.begins
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	d := &desk{o: o, s: s, changed: make(chan string, 1000)}
	page, err := bench.New(d.lab(), place.Options)
	if err != nil {
		return err
	}
	server := page.HTTP(ctx)
	var g errgroup.Group
	g.Go(func() error {
		defer stop()
		if err := server.Serve(place.listener); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	})
	g.Go(func() error {
		defer stop()
		return s.watch(ctx)
	})
	g.Go(func() error { return d.rewrite(ctx) })
	<-ctx.Done()
	// What is being saved is saved; pages that listen end with ctx.
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	server.Shutdown(end)
	return g.Wait()
}

// A desk is what the page works on in this program.
type desk struct {
	o       benchOptions
	s       *watcher
	changed chan string // codes of samples whose files are to be written anew
}

func (d *desk) lab() bench.Lab {
	return bench.Lab{
		Folder: filepath.Base(absOr(d.o.folder)), Version: pipeline.Version, Register: d.s.w.register, News: d.s.news,
		Find: d.find, Take: d.take, Report: d.report, Label: d.label,
		Changed: func(code string) { d.changed <- code },
		Log:     func(err error) { d.s.u.warn("the page: "+err.Error(), hintOf(err)) },
	}
}

// rewrite writes the reports of changed samples, once for all changes that wait,
// and has the index written.
func (d *desk) rewrite(ctx context.Context) error {
	for {
		var codes []string
		select {
		case <-ctx.Done():
			return nil
		case code := <-d.changed:
			codes = append(codes, code)
		}
		for len(d.changed) > 0 {
			codes = append(codes, <-d.changed)
		}
		slices.Sort(codes)
		for _, code := range slices.Compact(codes) {
			rec, err := d.s.w.register.Get(ctx, code, 0)
			if err == nil {
				var noPDF error
				noPDF, err = d.s.w.report(ctx, rec, d.photo)
				tellNoPDF(d.s.u, noPDF)
			}
			if ctx.Err() != nil {
				return nil // the next start writes what is missing
			}
			if err != nil {
				d.s.u.warn("the report of "+code+" was not written: "+err.Error(), hintOf(err))
			}
		}
		d.s.stale.Store(true)
		d.s.look()
	}
}

// find returns a picture of a sample, nil where it is not at hand.
func (d *desk) find(p *samples.Picture) *pipeline.Source {
	_, source := locate(p, append(slices.Clone(d.o.pictures), d.o.folder))
	return source
}

func (d *desk) photo(p *samples.Picture) report.Photo { return photo(d.find(p), p) }

func (d *desk) report(ctx context.Context, w io.Writer, rec *samples.Record, kind string, in *words.Words) error {
	input, err := reportInput(ctx, d.s.w.register, rec, d.photo)
	if err != nil {
		return err
	}
	input.Words, input.Short = in, kind == "page"
	if kind == "pdf" {
		return reportPDF(ctx, w, input)
	}
	return report.HTML(w, input)
}

func (d *desk) label(w io.Writer, rec *samples.Record, kind string, in *words.Words) error {
	l, err := labelOf(rec, kind, in)
	if err != nil {
		return err
	}
	wide, high, _ := two(usualSize)
	return l.SVG(w, wide, high)
}

// take writes a picture that was sent into the folder, whole or not at all, and
// under a name that nothing has there.
func (d *desk) take(ctx context.Context, name string, body io.Reader) (string, error) {
	name = filepath.Base(strings.ReplaceAll(name, `\`, "/"))
	ending := filepath.Ext(name)
	if !isPicture(name) {
		return "", inputError(name, "is no picture by its name", "pictures end in "+strings.Join(pictureEndings, ", "))
	}
	stem := cmp.Or(strings.TrimLeft(strings.Map(func(r rune) rune {
		if harmful(r) || strings.ContainsRune(`<>:"/|?*`, r) {
			return '_'
		}
		return r
	}, strings.TrimSuffix(name, ending)), ".-"), "picture")
	stem = strings.ToValidUTF8(stem[:min(len(stem), 150)], "") // file systems take 255 bytes
	place := filepath.Join(d.o.folder, stem+ending)
	for n := 2; ; n++ {
		if _, err := os.Lstat(place); errors.Is(err, os.ErrNotExist) {
			break
		}
		place = filepath.Join(d.o.folder, fmt.Sprintf("%s-%d%s", stem, n, ending))
	}
	name = filepath.Base(place)
	d.s.whole.Store(name, true)
	err := writeSet(ctx, []outFile{{place, func(w io.Writer) error {
		n, err := io.Copy(w, body)
		if err == nil && n == 0 {
			return inputError(name, "is empty", "send the picture again")
		}
		return err
	}}}, false)
	if err != nil {
		d.s.whole.Delete(name)
		return "", err
	}
	d.s.look()
	return name, nil
}

// take returns what is entered with a picture that has just come.
func (s *watcher) take(name string) bench.Next {
	s.waits([]string{name})
	return s.news.Take()
}

func (s *watcher) waits(pictures []string) {
	s.news.Put(bench.Item{Pictures: fileNames(pictures), State: bench.Waiting})
}

// ended reports whether something became of a picture, so that one that comes
// under its name is a new one.
func (s *watcher) ended(name string) bool {
	for _, j := range s.done {
		if slices.Contains(fileNames(j.Pictures), name) {
			return true
		}
	}
	return false
}

func (s *watcher) begins(j *job) {
	s.news.Put(bench.Item{Pictures: fileNames(j.Pictures), State: bench.Measuring})
}

// tell tells what became of a sample.
func (s *watcher) tell(j *job) {
	names := fileNames(j.Pictures)
	if len(names) > 1 {
		for _, n := range names {
			s.news.Drop([]string{n})
		}
	}
	switch {
	case j.State == stateRefused:
		s.news.Put(bench.Item{Pictures: names, State: bench.Refused, Reason: j.Reason, Hint: j.Hint})
	case j.State == stateGraded:
		s.news.Graded(names, j.Sample.Code, j.good)
	case j.Reason != "":
		s.news.Put(bench.Item{Pictures: names, State: bench.Copy, Reason: j.Reason, Hint: j.Hint, Code: j.Sample.Code})
	default:
		s.news.Drop(names)
	}
}
