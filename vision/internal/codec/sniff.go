package codec

import (
	"bytes"
	"net/http"
	"strings"
)

// minBytes is below the smallest header of any type read here.
const minBytes = 12

// Sniff tells the type of a file from its first bytes, never from its name.
// What is none of the five types is a *fault.Error that names what it looks like
// where that is easy to see.
func Sniff(data []byte) (string, error) {
	if len(data) == 0 {
		return "", malformed("the file is empty")
	}
	if len(data) < minBytes {
		return "", malformed("the file ends early: %d bytes are too few for a picture", len(data))
	}
	has := func(sig string) bool { return len(data) >= len(sig) && string(data[:len(sig)]) == sig }
	switch {
	case has("\xff\xd8\xff"):
		return "JPEG", nil
	case has("\x89PNG\r\n\x1a\n"):
		return "PNG", nil
	case has("II*\x00"), has("MM\x00*"):
		return "TIFF", nil
	case has("II+\x00"), has("MM\x00+"):
		return "", unsupported("a BigTIFF, which is not supported")
	case has("BM"):
		return "BMP", nil
	case has("RIFF") && string(data[8:12]) == "WEBP":
		return "WebP", nil
	}
	if name := lookalike(data); name != "" {
		return "", unsupported("this looks like %s, not a JPEG, PNG, TIFF, BMP or WebP picture", name)
	}
	return "", unsupported("not a JPEG, PNG, TIFF, BMP or WebP picture")
}

// signatures are the first bytes of common other files, from memory of their
// published formats.
var signatures = []struct{ sig, name string }{
	{"%PDF", "a PDF document"},
	{"GIF87a", "a GIF picture"},
	{"GIF89a", "a GIF picture"},
	{"8BPS", "a layered PSD picture"},
	{"PK\x03\x04", "a ZIP archive or an office document"},
	{"\x1f\x8b", "a gzip archive"},
	{"7z\xbc\xaf\x27\x1c", "a 7z archive"},
	{"Rar!", "a RAR archive"},
	{"\xff\x4f\xff\x51", "a JPEG 2000 picture"},
	{"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"},
	{"\xff\x0a", "a JPEG XL picture"},
	{"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"},
	{"\x76\x2f\x31\x01", "an OpenEXR picture"},
	{"#?RADIANCE", "a Radiance HDR picture"},
	{"\x00\x00\x01\x00", "an icon"},
	{"FUJIFILM", "a camera raw file"},
	{"IIRO", "a camera raw file"},
	{"IIU\x00", "a camera raw file"},
	{"\xd0\xcf\x11\xe0", "an office document"},
	{"\x7fELF", "a program"},
	{"MZ", "a program"},
	{"SQLite format 3", "a database"},
}

func lookalike(data []byte) string {
	for _, s := range signatures {
		if bytes.HasPrefix(data, []byte(s.sig)) {
			return s.name
		}
	}
	if string(data[4:8]) == "ftyp" {
		switch string(data[8:12]) {
		case "heic", "heix", "heim", "heis", "hevc", "mif1", "msf1":
			return "a HEIC picture"
		case "avif", "avis":
			return "an AVIF picture"
		case "crx ":
			return "a camera raw file"
		}
		return "a video"
	}
	if len(data) >= 132 && string(data[128:132]) == "DICM" {
		return "a DICOM picture"
	}
	if len(data) >= 3 && data[0] == 'P' && data[1] >= '1' && data[1] <= '7' && strings.IndexByte(" \t\r\n#", data[2]) >= 0 {
		return "a Netpbm picture"
	}
	head := data[:min(len(data), 4096)]
	if len(bytes.Trim(head, "\x00")) == 0 {
		return "a run of zero bytes (a failed copy)"
	}
	return textKind(head)
}

// textKind names the text that head starts, or returns "" when it is none.
func textKind(head []byte) string {
	t := bytes.ToLower(bytes.TrimSpace(head))
	switch kind := http.DetectContentType(head); {
	case !strings.HasPrefix(kind, "text/"):
		return ""
	case strings.HasPrefix(kind, "text/html"):
		return "a web page"
	case bytes.HasPrefix(t, []byte("<svg")), bytes.HasPrefix(t, []byte("<?xml")) && bytes.Contains(t, []byte("<svg")):
		return "an SVG drawing"
	}
	return "text"
}
