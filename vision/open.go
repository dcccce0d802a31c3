package vision

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"traytally/vision/internal/codec"
	"traytally/vision/internal/memory"
	"traytally/vision/internal/raster"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// DefaultMaxPixels is the size up to which a picture is opened when
// OpenOptions does not say otherwise: an A4 sheet at 1200 dpi has 139 million
// pixels. Common practice, no source.
const DefaultMaxPixels = 200000000

// MaxFileBytes is the size up to which a file is read, one byte below 2 GiB.
const MaxFileBytes = math.MaxInt32

// What measuring takes beside the program: so many bytes per pixel, the decoded
// ones included, and so many at the least, for the network. Measured as the
// peak of "traytally grade" less that of "traytally version": 8 bytes on an A4
// sheet of 35 million pixels with 1500 kernels, 12 on a chequered one, 50 MB on
// 3.6 million pixels; with a reserve.
const (
	measureBytesPerPixel = 12
	measureBytes         = 64 << 20
)

// OpenOptions limits what Open and Decode accept.
type OpenOptions struct {
	// MaxPixels is the greatest width × height, 1 to 700 million; 0 means
	// DefaultMaxPixels.
	MaxPixels int64
}

func (o OpenOptions) maxPixels() (int64, error) {
	switch {
	case o.MaxPixels == 0:
		return DefaultMaxPixels, nil
	case o.MaxPixels < 1 || o.MaxPixels > raster.MaxPixels:
		return 0, fmt.Errorf("a limit of %d pixels is not in 1 to %d", o.MaxPixels, raster.MaxPixels)
	}
	return o.MaxPixels, nil
}

// A Picture is a decoded picture as it is displayed, with the orientation
// stored in its file applied.
//
// Its pixels are what the file holds, brought to 8-bit BGR and to nothing
// else: grey becomes three equal samples, 16 bits become 8 by v·255/65535
// rounded, transparent pixels are laid over black. Colour profiles are not
// applied.
type Picture struct {
	Name          string // as the user typed it
	Format        string // "JPEG", "PNG", "TIFF", "BMP" or "WebP"
	Width, Height int    // as displayed, px, >= 1
	SHA256        string // of the whole file, 64 hexadecimal digits
	// PxPerMMX and PxPerMMY are the stored resolution along x and y as
	// displayed, px/mm. Both are 0 when the file states none that can be a
	// scale; they differ where a scanner stepped unequally.
	PxPerMMX, PxPerMMY float64
	ScaleSource        string // "stored resolution (JFIF, 300 dpi)"; empty without one
	Warnings           []kernel.Warning

	img      *raster.Image
	memory   *memory.Share
	balanced string  // where neutral was taken from, if colours are balanced already
	absolute bool    // the same, and brought to a known reflectance
	gain     float64 // what Straighten multiplied grey values with since they were stored; 0: not at all
}

// Pix returns the pixels: 8-bit BGR, interleaved, row-major, rows of 3*Width
// bytes without padding. They lie outside Go's heap and are valid until Close;
// after it Pix returns nil. They must not be changed.
func (p *Picture) Pix() []byte { return p.img.Bytes() }

// Close frees the pixels; a second call does nothing.
func (p *Picture) Close() error {
	defer p.memory.Release()
	return p.img.Close()
}

// Open reads and decodes the JPEG, PNG, TIFF, BMP or WebP file at path, whose
// type is told from its bytes and not from its name. The caller closes the
// Picture.
//
// A file that is missing, cut short, damaged, too large or of another kind is
// a *fault.Error. Damage inside a BMP, an uncompressed TIFF or a WebP that
// keeps the lengths right cannot be seen: those types carry no check sums.
//
// At its peak Open holds the file and 3 bytes per pixel for a JPEG or WebP, 7
// for a PNG or BMP, up to 10 for a TIFF; up to 6 more for a progressive JPEG,
// 4 more for 16 bits, 3 more while a picture stored on its side is turned.
func Open(path string, o OpenOptions) (*Picture, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if _, e := os.Lstat(path); e == nil {
			return nil, &fault.Error{Path: path, What: "is a link to a file that is not there", Hint: "put the picture itself in its place", Err: err}
		}
		return nil, &fault.Error{Path: path, What: "no such file", Hint: nearby(path), Err: err}
	case errors.Is(err, fs.ErrPermission):
		return nil, &fault.Error{Path: path, What: "not allowed to read this file", Hint: "check who may read it", Err: err}
	case err != nil:
		return nil, &fault.Error{Path: path, What: "cannot be read: " + cause(err), Err: err}
	case info.IsDir():
		return nil, &fault.Error{Path: path, What: "is a directory", Hint: "name a picture file in it"}
	case !info.Mode().IsRegular():
		return nil, &fault.Error{Path: path, What: "is not an ordinary file", Hint: "copy the picture into a file and name that"}
	case info.Size() > MaxFileBytes:
		return nil, tooLarge(path, info.Size())
	}
	data, err := readFile(path, info.Size())
	if err != nil {
		hint := "check the disk or the connection it lies behind"
		if errors.Is(err, fs.ErrPermission) {
			hint = "check who may read it"
		}
		return nil, &fault.Error{Path: path, What: "cannot be read: " + cause(err), Hint: hint, Err: err}
	}
	if data != nil {
		defer raster.Free(data)
	}
	return Decode(path, data, o)
}

// readFile reads a file of size bytes into memory outside Go's heap, which is
// nil where it has none.
func readFile(path string, size int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil || size == 0 {
		return nil, err
	}
	defer f.Close()
	data, err := raster.Alloc(int(size))
	if err != nil {
		return nil, err
	}
	if _, err := io.ReadFull(f, data); err != nil {
		raster.Free(data)
		return nil, err
	}
	return data, nil
}

// Decode is Open for a file already in memory; name stands for its path. It
// does not keep data.
func Decode(name string, data []byte, o OpenOptions) (*Picture, error) {
	limit, err := o.maxPixels()
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > MaxFileBytes {
		return nil, tooLarge(name, int64(len(data)))
	}
	in, err := codec.Read(data)
	if err != nil {
		return nil, refusal(name, err)
	}
	if in.Pixels() > limit || in.Width > raster.MaxSide || in.Height > raster.MaxSide {
		what := fmt.Sprintf("%d × %d pixels are more than the limit of %s", in.Width, in.Height, millions(limit))
		if in.Pixels() <= limit {
			what = fmt.Sprintf("%d × %d pixels are more than the limit of %d a side", in.Width, in.Height, raster.MaxSide)
		}
		return nil, &fault.Error{Path: name, What: what, Hint: "scan at a lower resolution or a smaller area"}
	}
	need := measureBytes + max(in.Bytes(), measureBytesPerPixel*in.Pixels())
	share, free, bound := memory.Promise(need)
	if share == nil {
		what := fmt.Sprintf("%d × %d pixels take about %d MB of memory to measure, and %s has %d MB left", in.Width, in.Height, need>>20, bound, free>>20)
		return nil, &fault.Error{Kind: fault.Memory, Path: name, What: what, Hint: "close other programs, scan at a lower resolution or a smaller area, or allow more memory"}
	}

	// The other core sums the file while this one decodes it, and readies what
	// finds the kernels.
	sum := make(chan [sha256.Size]byte, 1)
	go func() {
		sum <- sha256.Sum256(data)
		segment.Ready()
	}()
	img, err := codec.Decode(data, in)
	digest := <-sum
	if err != nil {
		share.Release()
		return nil, refusal(name, err)
	}
	return &Picture{
		Name: name, Format: in.Format,
		Width: img.Width(), Height: img.Height(),
		SHA256:   hex.EncodeToString(digest[:]),
		PxPerMMX: in.PxPerMMX, PxPerMMY: in.PxPerMMY, ScaleSource: in.ScaleSource,
		Warnings: in.Warnings,
		img:      img,
		memory:   share,
	}, nil
}

// refusal makes an error of package codec one about the named file.
func refusal(name string, err error) error {
	if e := fault.Of(err); e != nil {
		e.Path = name
		return e
	}
	// The system gave less than it promised.
	return &fault.Error{Kind: fault.Memory, Path: name, What: err.Error(), Hint: "close other programs, or scan at a lower resolution or a smaller area", Err: err}
}

func tooLarge(name string, size int64) error {
	what := fmt.Sprintf("the file has %d bytes, more than the limit of %d", size, int64(MaxFileBytes))
	return &fault.Error{Path: name, What: what, Hint: "scan at a lower resolution or a smaller area"}
}

func millions(n int64) string {
	if n >= 1e6 && n%1e6 == 0 {
		return fmt.Sprintf("%d million", n/1e6)
	}
	return fmt.Sprint(n)
}

// cause returns the reason within a path error, without the path.
func cause(err error) string {
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		return e.Err.Error()
	}
	return err.Error()
}

// nearby returns a hint that names files the user may have meant: those of the
// same name but for case, ending or a slip of one or two letters.
func nearby(path string) string {
	dir, base := filepath.Split(path)
	if dir == "" {
		dir = "."
	}
	f, err := os.Open(dir)
	if err != nil {
		return fmt.Sprintf("the directory %s cannot be opened", filepath.Clean(dir))
	}
	defer f.Close()
	names, _ := f.Readdirnames(4096) // a hint need not search without end
	slices.Sort(names)
	stem := func(s string) string { return strings.ToLower(strings.TrimSuffix(s, filepath.Ext(s))) }
	endings := []string{".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp"}
	var alike []string
	for _, n := range names {
		if slices.Contains(endings, strings.ToLower(filepath.Ext(n))) &&
			(stem(n) == stem(base) || slips(strings.ToLower(n), strings.ToLower(base)) <= 2) {
			alike = append(alike, filepath.Join(filepath.Dir(path), n))
		}
	}
	if len(alike) == 0 {
		return "check the name and the directory"
	}
	return "did you mean " + strings.Join(alike[:min(len(alike), 3)], " or ") + "?"
}

// slips returns the Levenshtein distance of a and b, in bytes.
func slips(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			d := diag
			if a[i] != b[j] {
				d++
			}
			diag = row[j+1]
			row[j+1] = min(d, row[j]+1, diag+1)
		}
	}
	return row[len(b)]
}
