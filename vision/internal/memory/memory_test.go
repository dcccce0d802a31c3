package memory

import (
	"math"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The files as the kernel's admin-guide describes them (cgroup-v2.rst,
// cgroup-v1/memory.rst), and proc(5).
func TestAvailable(t *testing.T) {
	file := func(s string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(s)} }
	meminfo := file("MemTotal:  16000 kB\nMemFree:  10 kB\nMemAvailable:    8000 kB\n")
	for _, c := range []struct {
		name string
		fs   fstest.MapFS
		want int64
		by   string
	}{
		{"nothing is known", fstest.MapFS{}, math.MaxInt64, "this machine"},
		{"no group", fstest.MapFS{"proc/meminfo": meminfo}, 8000 << 10, "this machine"},
		{"second version", fstest.MapFS{
			"proc/meminfo": meminfo, "proc/self/cgroup": file("0::/user/lab\n"),
			"sys/fs/cgroup/user/lab/memory.max":     file("5000\n"),
			"sys/fs/cgroup/user/lab/memory.current": file("3000\n"),
			"sys/fs/cgroup/user/lab/memory.stat":    file("anon 1\ninactive_file 500\n"),
		}, 2500, "the control group of this process"},
		{"a group above is tighter", fstest.MapFS{
			"proc/meminfo": meminfo, "proc/self/cgroup": file("0::/user/lab\n"),
			"sys/fs/cgroup/user/lab/memory.max":     file("max\n"),
			"sys/fs/cgroup/user/lab/memory.current": file("3000\n"),
			"sys/fs/cgroup/user/memory.max":         file("4000\n"),
			"sys/fs/cgroup/user/memory.current":     file("3900\n"),
		}, 100, "the control group of this process"},
		{"a container's own root", fstest.MapFS{
			"proc/meminfo": meminfo, "proc/self/cgroup": file("0::/\n"),
			"sys/fs/cgroup/memory.max":     file("4000\n"),
			"sys/fs/cgroup/memory.current": file("5000\n"),
		}, 0, "the control group of this process"},
		{"first version", fstest.MapFS{
			"proc/meminfo": meminfo, "proc/self/cgroup": file("12:cpu,cpuacct:/a\n9:memory:/a\n"),
			"sys/fs/cgroup/memory/a/memory.limit_in_bytes": file("7000\n"),
			"sys/fs/cgroup/memory/a/memory.usage_in_bytes": file("1000\n"),
			"sys/fs/cgroup/memory/a/memory.stat":           file("total_inactive_file 10\n"),
		}, 6010, "the control group of this process"},
	} {
		free, by := available(c.fs)
		assert.Equal(t, c.want, free, c.name)
		assert.Equal(t, c.by, by, c.name)
	}
}

// Two pictures are not promised the same memory.
func TestPromise(t *testing.T) {
	_, free, _ := Promise(math.MaxInt64 - 1)
	first, _, _ := Promise(free / 2)
	require.NotNil(t, first)
	second, left, by := Promise(free)
	assert.Nil(t, second)
	assert.Less(t, left, free)
	assert.NotEmpty(t, by)
	first.Release()
	first.Release()
	assert.Zero(t, promised)
	(*Share)(nil).Release()
}
