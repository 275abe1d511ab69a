package api

import "golang.org/x/sys/unix"

// disk says how much of the disk under a folder is left for this program, in bytes, and how large it is.
func disk(folder string) (left, size uint64, err error) {
	var st unix.Statfs_t
	if err := unix.Statfs(folder, &st); err != nil {
		return 0, 0, err
	}
	return st.Bavail * uint64(st.Bsize), st.Blocks * uint64(st.Bsize), nil
}
