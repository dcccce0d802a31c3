// Package memory tells how much memory this process can still take, and holds
// what was promised to pictures that are open.
package memory

import (
	"bufio"
	"bytes"
	"io/fs"
	"math"
	"os"
	"path"
	"strconv"
	"strings"
	"sync"
	"syscall"
)

// A Share is memory promised to one picture.
type Share struct{ bytes int64 }

var (
	mu       sync.Mutex
	promised int64
)

// Promise keeps n bytes for a picture until Release, where they are there
// beside what other pictures were promised. Else it returns nil, how many there
// are, and what sets the bound.
func Promise(n int64) (s *Share, free int64, bound string) {
	mu.Lock()
	defer mu.Unlock()
	free, bound = available(os.DirFS("/"))
	if as, ok := addresses(); ok && as < free {
		free, bound = as, "the limit of this process (ulimit -v)"
	}
	free = max(0, free-promised)
	if n > free {
		return nil, free, bound
	}
	promised += n
	return &Share{n}, free, bound
}

// Release gives a promise back; a second call does nothing.
func (s *Share) Release() {
	if s == nil {
		return
	}
	mu.Lock()
	promised -= s.bytes
	s.bytes = 0
	mu.Unlock()
}

// available returns the least of what the machine has and what this process's
// control group and those above it leave. What cannot be read sets no bound.
// Files that the kernel keeps only because there is room count as free.
func available(root fs.FS) (free int64, bound string) {
	free, bound = math.MaxInt64, "this machine"
	if n, ok := field(root, "proc/meminfo", "MemAvailable:"); ok {
		free = n << 10
	}
	groups, _ := fs.ReadFile(root, "proc/self/cgroup")
	for line := range strings.Lines(string(groups)) {
		// "0::/path" is the second version, "9:memory:/path" the first (the
		// kernel's admin-guide, cgroup-v2.rst and cgroup-v1/memory.rst).
		id, rest, _ := strings.Cut(strings.TrimSpace(line), ":")
		kinds, at, _ := strings.Cut(rest, ":")
		base, limit, used, cache := "sys/fs/cgroup", "memory.max", "memory.current", "inactive_file"
		switch {
		case id == "0" && kinds == "":
		case strings.Contains(","+kinds+",", ",memory,"):
			base, limit, used, cache = "sys/fs/cgroup/memory", "memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file"
		default:
			continue
		}
		for dir := path.Join(base, at); strings.HasPrefix(dir, base); dir = path.Dir(dir) {
			most, ok := number(root, path.Join(dir, limit))
			now, ok2 := number(root, path.Join(dir, used))
			if !ok || !ok2 {
				continue // "max", or a container that does not show its parents
			}
			kept, _ := field(root, path.Join(dir, "memory.stat"), cache)
			if left := max(0, most-now+kept); left < free {
				free, bound = left, "the control group of this process"
			}
		}
	}
	return free, bound
}

// addresses returns how much address space is left to this process where that
// is limited.
func addresses() (left int64, ok bool) {
	var limit syscall.Rlimit
	if syscall.Getrlimit(syscall.RLIMIT_AS, &limit) != nil || limit.Cur > math.MaxInt64 {
		return 0, false
	}
	size, ok := field(os.DirFS("/"), "proc/self/status", "VmSize:")
	return max(0, int64(limit.Cur)-size<<10), ok
}

// number returns the whole number that a file holds.
func number(root fs.FS, name string) (int64, bool) {
	b, err := fs.ReadFile(root, name)
	if err != nil {
		return 0, false
	}
	n, err := strconv.ParseInt(string(bytes.TrimSpace(b)), 10, 64)
	return n, err == nil
}

// field returns the number after a word at the start of a line.
func field(root fs.FS, name, word string) (int64, bool) {
	b, err := fs.ReadFile(root, name)
	if err != nil {
		return 0, false
	}
	for lines := bufio.NewScanner(bytes.NewReader(b)); lines.Scan(); {
		if f := strings.Fields(lines.Text()); len(f) > 1 && f[0] == word {
			n, err := strconv.ParseInt(f[1], 10, 64)
			return n, err == nil
		}
	}
	return 0, false
}
