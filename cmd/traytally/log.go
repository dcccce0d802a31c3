package main

import (
	"github.com/spf13/cobra"
)

// exitDiffers ends recheck and verify where something is not as it was
// registered.
const exitDiffers = 14

func newLogCommand(u *ui) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "log",
		Short: "Look into the register of samples, amend it, check that it holds",
		Long: `Lists and finds registered samples, shows trends, exports them, measures them
again from their pictures, amends what people said of them, corrects single
kernels, and verifies that nothing was changed behind the register's back.

` + registerHelp,
		Example: "  traytally log list --last 20",
		Args:    unknownCommand,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(
		newLogListCommand(u),
		newLogFindCommand(u),
		newLogShowCommand(u),
		newLogTrendCommand(u),
		newLogExportCommand(u),
		newLogRecheckCommand(u),
		newLogAmendCommand(u),
		newLogCorrectionsCommand(u),
		newLogWithdrawCommand(u),
		newLogRenameCommand(u),
		newLogAgreementCommand(u),
		newLogVerifyCommand(u),
	)
	return cmd
}
