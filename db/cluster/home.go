package cluster

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// home is the folder of one cluster, locked, and the user its server runs as.
type home struct {
	base     string // Config.Dir, or the folder that Dir/location names
	uid, gid int
	root     bool // this process is root and the server is not
	lock     *os.File
}

func (h *home) data() string { return filepath.Join(h.base, "data") }

func (h *home) close() {
	// Not by Close alone: a child between fork and exec still holds the file.
	syscall.Flock(int(h.lock.Fd()), syscall.LOCK_UN)
	h.lock.Close()
}

// openHome finds or makes the folder and takes its lock. elsewhere lists the
// parents to try if the service user cannot reach dir.
func openHome(dir string, elsewhere []string) (*home, error) {
	h := &home{base: dir, uid: os.Geteuid(), gid: os.Getegid(), root: os.Geteuid() == 0}
	if err := h.makeBase(); err != nil {
		return nil, err
	}
	text, err := os.ReadFile(filepath.Join(dir, "location"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	moved := len(text) > 0
	if moved {
		h.base = strings.TrimSpace(string(text))
		if err := ownedByRoot(h.base); err != nil {
			return nil, fmt.Errorf("folder named in %s: %w", filepath.Join(dir, "location"), err)
		}
	}
	if err := h.findOwner(); err != nil {
		return nil, err
	}
	if h.root && !reachable(h.base, h.uid, h.gid) {
		if _, err := os.Lstat(h.data()); moved || err == nil {
			return nil, fmt.Errorf("user %d, who runs the database, cannot reach %s\n"+
				"let others pass through the folders above it (chmod o+x)", h.uid, h.data())
		}
		if err := h.moveAway(elsewhere); err != nil {
			return nil, err
		}
	}
	if err := h.takeLock(); err != nil {
		return nil, err
	}
	if err := h.adoptCopy(); err != nil {
		h.close()
		return nil, err
	}
	return h, nil
}

func (h *home) makeBase() error {
	if _, err := os.Lstat(h.base); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	mode := fs.FileMode(0o700)
	if h.root {
		mode = 0o711 // the service user passes through; it cannot list or write
	}
	if err := os.MkdirAll(h.base, mode); err != nil {
		return err
	}
	return os.Chmod(h.base, mode) // whatever the umask is
}

// findOwner sets the user of the server: whoever owns the data, so that data
// made by one user is not taken over by another.
func (h *home) findOwner() error {
	st, err := os.Lstat(h.data())
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err == nil {
		owner := st.Sys().(*syscall.Stat_t)
		if !h.root && int(owner.Uid) != h.uid {
			return fmt.Errorf("%s belongs to user %d\nrun as that user or as root", h.data(), owner.Uid)
		}
		if owner.Uid != 0 {
			h.uid, h.gid = int(owner.Uid), int(owner.Gid)
			return nil
		}
	}
	if !h.root {
		return nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, uidErr := strconv.Atoi(u.Uid)
		gid, gidErr := strconv.Atoi(u.Gid)
		if uidErr == nil && gidErr == nil && uid != 0 {
			h.uid, h.gid = uid, gid
			return nil
		}
	}
	return errors.New("PostgreSQL does not run as root and there is no user postgres or nobody\n" +
		"make one, or run as another user")
}

// moveAway makes a folder that the service user can reach and records it in
// Dir/location.
func (h *home) moveAway(parents []string) error {
	dir := h.base
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return err
	}
	name := fmt.Sprintf("kerfgate-%x", sha256.Sum256([]byte(real)))[:len("kerfgate-")+16]
	var failed error
	for _, parent := range parents {
		h.base = filepath.Join(parent, name)
		if !reachable(parent, h.uid, h.gid) {
			failed = errors.Join(failed, fmt.Errorf("user %d cannot reach %s", h.uid, parent))
			continue
		}
		err := os.Mkdir(h.base, 0o711)
		if errors.Is(err, fs.ErrExist) {
			if err = ownedByRoot(h.base); err != nil {
				return err
			}
			// Neither used nor removed: keys and papers of that database went
			// with the folder it was made for.
			if _, err := os.Lstat(h.data()); err == nil {
				return fmt.Errorf("%s holds the database of an earlier folder %s\n"+
					"remove it, or write its path to %s to use it", h.base, dir, filepath.Join(dir, "location"))
			}
		}
		if err == nil {
			err = os.Chmod(h.base, 0o711)
		}
		if err == nil {
			return writeFile(filepath.Join(dir, "location"), h.base+"\n")
		}
		failed = errors.Join(failed, err)
	}
	return fmt.Errorf("no folder that user %d, who runs the database, can reach: %w", h.uid, failed)
}

func ownedByRoot(path string) error {
	st, err := os.Lstat(path)
	if err != nil {
		return err
	}
	if !st.IsDir() || st.Sys().(*syscall.Stat_t).Uid != 0 || st.Mode().Perm()&0o022 != 0 {
		return fmt.Errorf("%s is not a folder that root alone can change", path)
	}
	return nil
}

// reachable reports whether the mode bits let uid pass through path and all
// folders above it.
func reachable(path string, uid, gid int) bool {
	path, err := filepath.EvalSymlinks(path)
	if err != nil {
		return false
	}
	for {
		st, err := os.Stat(path)
		if err != nil {
			return false
		}
		shift := 0
		switch owner := st.Sys().(*syscall.Stat_t); {
		case int(owner.Uid) == uid:
			shift = 6
		case int(owner.Gid) == gid:
			shift = 3
		}
		if st.Mode().Perm()>>shift&1 == 0 {
			return false
		}
		if path == "/" {
			return true
		}
		path = filepath.Dir(path)
	}
}

func (h *home) takeLock() error {
	name := filepath.Join(h.base, "lock")
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		defer f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return &fs.PathError{Op: "flock", Path: name, Err: err}
		}
		holder := make([]byte, 20)
		n, _ := f.Read(holder) // empty if the holder has not written yet
		return fmt.Errorf("%w: %s (process %s)\nstop that one first, or use another data folder",
			ErrInUse, h.base, strings.TrimSpace(string(holder[:n])))
	}
	h.lock = f
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	return err
}

// adoptCopy gives a data folder that belongs to root, as after a copy made by
// root, to the user that the server runs as.
func (h *home) adoptCopy() error {
	st, err := os.Lstat(h.data())
	if err != nil || !h.root || st.Sys().(*syscall.Stat_t).Uid != 0 {
		return nil
	}
	return filepath.WalkDir(h.data(), func(path string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return h.give(path)
	})
}

func (h *home) give(path string) error {
	if !h.root {
		return nil
	}
	return os.Lchown(path, h.uid, h.gid)
}

func (h *home) openLog() (*os.File, error) {
	return os.OpenFile(filepath.Join(h.base, "server.log"),
		os.O_RDWR|os.O_CREATE|os.O_TRUNC|os.O_APPEND|syscall.O_NOFOLLOW, 0o600)
}

// socketFile is the name that PostgreSQL gives a socket.
const socketFile = ".s.PGSQL." + port

// longestSocket is the longest path of a socket that every system takes:
// sun_path holds 108 bytes on Linux, 104 on the BSDs and macOS (unix(7),
// unix(4)), a zero byte included.
const longestSocket = 100

const socketPrefix = "kg-"

// makeSocket makes the folder of the socket, mode 0700, and records it.
func (h *home) makeSocket() (string, error) {
	var failed error
	for _, parent := range []string{os.TempDir(), "/tmp", "/var/tmp"} {
		if h.root && !reachable(parent, h.uid, h.gid) {
			failed = errors.Join(failed, fmt.Errorf("user %d cannot reach %s", h.uid, parent))
			continue
		}
		folder, err := os.MkdirTemp(parent, socketPrefix)
		if err != nil {
			failed = errors.Join(failed, err)
			continue
		}
		if name := filepath.Join(folder, socketFile); len(name) > longestSocket {
			failed = errors.Join(failed, fmt.Errorf("socket path %s is longer than %d bytes", name, longestSocket), os.Remove(folder))
			continue
		}
		// Recorded first: a folder that nobody knows of would stay for ever.
		err = writeFile(filepath.Join(h.base, "socket"), folder+"\n")
		if err == nil {
			err = h.give(folder)
		}
		if err != nil {
			return "", errors.Join(err, os.Remove(folder))
		}
		return folder, nil
	}
	return "", fmt.Errorf("no folder for the database socket: %w", failed)
}

// removeOldSocket removes the recorded folder of the socket, if it is ours.
func (h *home) removeOldSocket() {
	record := filepath.Join(h.base, "socket")
	text, err := os.ReadFile(record)
	if err != nil {
		return
	}
	folder := strings.TrimSpace(string(text))
	st, err := os.Lstat(folder)
	if err == nil && st.IsDir() && strings.HasPrefix(filepath.Base(folder), socketPrefix) &&
		int(st.Sys().(*syscall.Stat_t).Uid) == h.uid {
		os.Remove(filepath.Join(folder, socketFile))
		os.Remove(filepath.Join(folder, socketFile+".lock"))
		os.Remove(folder)
	}
	os.Remove(record)
}

// command returns a server program's command: as the service user, in a
// process group of its own (the terminal's interrupt is for us, who then stop
// the server in order), and with nothing of our environment but what programs
// need to start: PGPORT and its like must not change the server.
func (h *home) command(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(name, args...)
	cmd.Dir = "/" // ours may be closed to the service user
	cmd.Env = []string{"LC_ALL=C"}
	for _, key := range []string{"PATH", "LD_LIBRARY_PATH", "TZDIR"} {
		if value, ok := os.LookupEnv(key); ok {
			cmd.Env = append(cmd.Env, key+"="+value)
		}
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if h.root {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(h.uid), Gid: uint32(h.gid)}
	}
	stopWithParent(cmd.SysProcAttr)
	return cmd
}

// writeFile replaces name as a whole and for good.
func writeFile(name, text string) error {
	f, err := os.CreateTemp(filepath.Dir(name), filepath.Base(name)+".*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // fails after the rename, as it should
	_, err = f.WriteString(text)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), name); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(name))
}

func syncFolder(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

const (
	logLimit = 8 << 20  // bytes of server.log before it is cut
	logKept  = 64 << 10 // bytes of its end that a cut keeps
)

// boundLog cuts log to its end once it is longer than limit. The server keeps
// the file open in append mode, so it goes on writing behind what is kept.
func boundLog(log *os.File, limit int64) error {
	st, err := log.Stat()
	if err != nil || st.Size() <= limit {
		return err
	}
	end := logEnd(log, logKept)
	if err := log.Truncate(0); err != nil {
		return err
	}
	_, err = log.Write(end)
	return err
}

// logEnd returns the last whole lines of log, at most n bytes.
func logEnd(log *os.File, n int64) []byte {
	st, err := log.Stat()
	if err != nil {
		return nil
	}
	from := max(0, st.Size()-n)
	text := make([]byte, st.Size()-from)
	read, _ := log.ReadAt(text, from) // what can be read is what there is to say
	text = text[:read]
	if from > 0 {
		_, text, _ = bytes.Cut(text, []byte("\n"))
	}
	return text
}

// lastWords returns the end of log on lines of its own, for an error message.
func lastWords(log *os.File) string {
	text := strings.TrimSpace(string(logEnd(log, 1024)))
	if text == "" {
		return ""
	}
	return "\nits log ends:\n" + text
}
