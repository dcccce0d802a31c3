package report

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"regexp"
	"slices"

	"traytally/samples"
	"traytally/samples/words"
)

// A seal is a line at the end of a report, a comment in its format: what it is
// the report of, and the SHA-256 of all other bytes. It shows damage, not
// forgery.
var sealLine = regexp.MustCompile(`(?:<!--|%) (\S+ revision \d+(?: [a-z]+)*) sha256 ([0-9a-f]{64})(?: -->)?\n`)

// maxSealed is more than the seal and what follows it take, in bytes.
const maxSealed = 1 << 10

// subject says what a report is: of which revision, and what is out of the usual
// about it, a language or that it is the page to sign alone.
func subject(in Input) string {
	s := fmt.Sprintf("%s revision %d", in.Record.Code, in.Record.Revision)
	if tag := in.Words.Tag(); tag != "en" {
		s += " " + tag
	}
	if in.Short {
		s += " page"
	}
	return s
}

// writeSealed writes a report with its seal, in the given form of a comment,
// before the last mark.
func writeSealed(w io.Writer, document []byte, in Input, comment, mark string) error {
	at := bytes.LastIndex(document, []byte(mark))
	line := fmt.Appendf(nil, comment+"\n", fmt.Sprintf("%s sha256 %x", subject(in), sha256.Sum256(document)))
	_, err := w.Write(slices.Concat(document[:at], line, document[at:]))
	return err
}

// Seal writes the PDF of a report that was printed from its HTML, with its seal.
func Seal(w io.Writer, document []byte, in Input) error {
	return writeSealed(w, document, in, "%% %s", "startxref") // a comment may stand there: ISO 32000-1, 7.2.3, from memory
}

// Whole reports whether a document is the long report of this revision in these
// words, to the last byte as it was written. One without a seal, as older versions
// wrote them, counts as damaged.
func Whole(document []byte, rec *samples.Record, w *words.Words) bool {
	from := max(0, len(document)-maxSealed)
	m := sealLine.FindSubmatchIndex(document[from:])
	if m == nil {
		return false
	}
	for i := range m {
		m[i] += from
	}
	rest := sha256.New()
	rest.Write(document[:m[0]])
	rest.Write(document[m[1]:])
	return string(document[m[2]:m[3]]) == subject(Input{Record: rec, Words: w}) && string(document[m[4]:m[5]]) == fmt.Sprintf("%x", rest.Sum(nil))
}
