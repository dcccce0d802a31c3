package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"traytally/samples"
)

// verifyLogOptions are the flags of log verify.
type verifyLogOptions struct {
	registerFlags
	head string
	output
}

func newLogVerifyCommand(u *ui) *cobra.Command {
	o := verifyLogOptions{}
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Check that nothing in the register was changed, lost or put in",
		Long: `Recomputes the audit trail, whose entries are chained by SHA-256, and the check
sums of every revision and its kernels. The last entry's hash, the head, is
printed: note it elsewhere. Whoever can write the whole register could build the
chain anew or cut off its end; then a head noted before is no longer in it.
--head checks that. Every report prints the hash of its sample's entry.`,
		Example: "  traytally log verify\n  traytally log verify --head 3f6c2a9d1b40",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runLogVerify(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	f.StringVar(&o.head, "head", "", "`HASH` noted before, 12 digits or more, that must be in the chain")
	o.addJSON(f)
	return cmd
}

func runLogVerify(ctx context.Context, o verifyLogOptions, u *ui) error {
	if o.head != "" && (len(o.head) < 12 || strings.Trim(strings.ToLower(o.head), "0123456789abcdef") != "") {
		return usageError(fmt.Sprintf("%q is no hash of an entry", o.head), "give 12 digits or more, as log verify, log show and the reports print them")
	}
	if err := o.check(); err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	v, err := g.Verify(ctx, o.head, func(done, of int) { u.progress("checked %d of %s", done, count(of, "revision", "revisions")) })
	u.done()
	if err != nil {
		return err
	}
	doc := struct {
		Schema string `json:"schema"`
		*samples.Verification
	}{"traytally.trail/1", v}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) {
		for _, p := range v.Problems {
			fmt.Fprintln(w, plain(p.String()))
		}
		verdict := "the register holds together"
		if len(v.Problems) > 0 {
			verdict = "the register does not hold together: " + count(len(v.Problems), "fault", "faults")
		}
		fmt.Fprintf(w, "%s: %s, %s\nHead %s\n", verdict, count(v.Samples, "sample", "samples"), count(v.Entries, "entry", "entries"), v.Head)
	}); err != nil {
		return err
	}
	if len(v.Problems) > 0 {
		return &answer{exitDiffers}
	}
	return nil
}
