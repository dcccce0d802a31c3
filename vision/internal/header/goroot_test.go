package header_test

import (
	"os/exec"
	"strings"
	"testing"
)

// goroot returns where the Go that runs the tests lies.
func goroot(t *testing.T) string {
	t.Helper()
	out, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Skip("the go command is not installed")
	}
	return strings.TrimSpace(string(out))
}
