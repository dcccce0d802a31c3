package pipeline

import (
	"cmp"
	"errors"
	"os"
	"path/filepath"

	"traytally/samples"
	"traytally/vision"
	"traytally/vision/kernel/fault"
)

// A Source is a picture file. It is read once, when it is first needed.
type Source struct {
	// Name is what errors and results call it: the path as typed.
	Name string
	// Picture is what is recorded of it: place, size and SHA-256 once it is
	// read, format and dimensions once it is decoded.
	Picture samples.Picture

	path string
	data []byte
}

// Files returns the sources of files that are read later.
func Files(paths ...string) []*Source {
	out := make([]*Source, len(paths))
	for i, p := range paths {
		out[i] = &Source{Name: p, path: p}
	}
	return out
}

// ErrChanging is the cause where a file changed while it was read.
var ErrChanging = errors.New("changes while it is read")

// Read reads the file, unless that was done before.
func (s *Source) Read() error {
	if s.data != nil {
		return nil
	}
	// What is no ordinary file, such as a pipe, is never opened: that could wait
	// for ever. What is too large is not read through.
	before, err := os.Stat(s.path)
	var data []byte
	if err == nil && before.Mode().IsRegular() && before.Size() <= vision.MaxFileBytes {
		data, err = os.ReadFile(s.path)
	}
	if data == nil {
		// vision says best what is wrong with a file, and what was meant.
		p, err := vision.Open(s.path, vision.OpenOptions{})
		if err == nil {
			p.Close()
		}
		return cmp.Or(err, s.changing())
	}
	after, err := os.Stat(s.path)
	if err != nil || !os.SameFile(before, after) || !before.ModTime().Equal(after.ModTime()) || int64(len(data)) != after.Size() {
		return s.changing()
	}
	abs, err := filepath.Abs(s.path)
	if err != nil {
		return err
	}
	s.data = data
	s.Picture = samples.Picture{Path: abs, SHA256: samples.Sum(data), Bytes: int64(len(data))}
	return nil
}

func (s *Source) changing() error {
	return &fault.Error{Path: s.Name, What: ErrChanging.Error(), Hint: "wait until the scan is written, then run it again", Err: ErrChanging}
}

// Decode reads the file, where that was not done before, decodes it and lets
// go of its bytes. The caller closes the picture.
func (s *Source) Decode() (*vision.Picture, error) {
	if err := s.Read(); err != nil {
		return nil, err
	}
	p, err := vision.Decode(s.Name, s.data, vision.OpenOptions{})
	s.data = nil
	if err != nil {
		return nil, ofPicture(err)
	}
	s.Picture.Format, s.Picture.WidthPx, s.Picture.HeightPx = p.Format, p.Width, p.Height
	return p, nil
}

// Read reads the files, and returns an error for the first that cannot be.
func Read(files []*Source) error {
	for _, s := range files {
		if err := s.Read(); err != nil {
			return err
		}
	}
	return nil
}

// Pictures returns what is recorded of the files.
func Pictures(files []*Source) []samples.Picture {
	var out []samples.Picture
	for _, s := range files {
		out = append(out, s.Picture)
	}
	return out
}

// Sums returns the SHA-256 of each picture.
func Sums(ps []samples.Picture) []string {
	var out []string
	for _, p := range ps {
		out = append(out, p.SHA256)
	}
	return out
}
