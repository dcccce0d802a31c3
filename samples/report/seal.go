package report

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"regexp"
	"slices"

	"traytally/samples"
)

// A seal is a line at the end of a report, a comment in its format: what it is
// the report of, and the SHA-256 of all other bytes. It shows damage, not
// forgery.
var sealLine = regexp.MustCompile(`(?:<!--|%) (\S+ revision \d+) sha256 ([0-9a-f]{64})(?: -->)?\n`)

// maxSealed is more than the seal and what follows it take, in bytes.
const maxSealed = 1 << 10

func subject(rec *samples.Record) string {
	return fmt.Sprintf("%s revision %d", rec.Code, rec.Revision)
}

// writeSealed writes a report with its seal, in the given form of a comment,
// before the last mark.
func writeSealed(w io.Writer, document []byte, rec *samples.Record, comment, mark string) error {
	at := bytes.LastIndex(document, []byte(mark))
	line := fmt.Appendf(nil, comment+"\n", fmt.Sprintf("%s sha256 %x", subject(rec), sha256.Sum256(document)))
	_, err := w.Write(slices.Concat(document[:at], line, document[at:]))
	return err
}

// Whole reports whether a document is the report of this revision, to the last
// byte as it was written. One without a seal, as older versions wrote them, counts
// as damaged.
func Whole(document []byte, rec *samples.Record) bool {
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
	return string(document[m[2]:m[3]]) == subject(rec) && string(document[m[4]:m[5]]) == fmt.Sprintf("%x", rest.Sum(nil))
}
