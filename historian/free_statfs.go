//go:build linux || darwin

package historian

import "syscall"

func (Disk) FreePct(dir string) float64 {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil || st.Blocks == 0 {
		return nan
	}
	return 100 * float64(st.Bavail) / float64(st.Blocks)
}
