package backup_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/deploy/backup"
	"kerfgate/deploy/keyring"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Main(m)) }

// A backup and its restore: the same logbook under a new epoch, closed for the machine's journal,
// with everything that keeps the log append-only still in force.
func TestBackupAndRestore(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	w.Submit(t, 2)
	ctx := t.Context()
	file := filepath.Join(t.TempDir(), "garden.backup")
	if err := (backup.Database{URL: w.URL(cluster.Owner)}).Write(ctx, file); err != nil {
		t.Fatal(err)
	}
	if err := (backup.Database{URL: w.URL(cluster.Owner)}).Write(ctx, file); err == nil {
		t.Error("a backup was written over")
	}
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 || info.Size() == 0 {
		t.Fatalf("%v, %v", info, err)
	}
	size, err := w.LogSize(ctx)
	if err != nil {
		t.Fatal(err)
	}
	before, err := w.Site(ctx)
	if err != nil {
		t.Fatal(err)
	}
	keys := keyring.Keys{PermitSigner: w.Config.PermitSigner, PermitPublic: w.PermitKey, LogSigner: w.Config.LogSigner, LogPublic: w.LogKey}
	if _, err := (backup.Database{URL: w.URL(cluster.Owner)}).Restore(ctx, file, keys); !errors.Is(err, backup.ErrNotEmpty) {
		t.Errorf("restored over a site: %v", err)
	}
	report, err := backup.Trial(ctx, "", file, keys)
	if err != nil || report.Entries != size+1 {
		t.Errorf("put back as a trial: %d entries, want %d and the restore's own; %v", report.Entries, size, err)
	}
	broken := filepath.Join(t.TempDir(), "broken.backup")
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(broken, whole[:len(whole)*9/10], 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := backup.Trial(ctx, "", broken, keys); err == nil {
		t.Error("a backup that was cut off passed its trial")
	}
	base := backup.Database{URL: w.URL(cluster.Owner)}
	for what, l := range map[db.LookedAfter]db.CareTaken{db.BackupWritten: {Good: true, Said: "garden.backup"}, db.BackupTried: {Said: "cut off", LogSize: size}} {
		if err := base.Note(ctx, what, l); err != nil {
			t.Fatal(err)
		}
	}
	if h, err := w.Health(ctx); err != nil || h.Cared[db.BackupWritten].LogSize != size || !h.Cared[db.BackupWritten].Good || h.Cared[db.BackupTried].Good || h.Cared[db.BackupTried].Said != "cut off" {
		t.Errorf("noted: %+v %v", h.Cared, err)
	}
	e := w.Empty(t)
	done, err := backup.Database{URL: e.URL(cluster.Owner)}.Restore(ctx, file, keys)
	if err != nil {
		t.Fatal(err)
	}
	site, err := e.Site(ctx)
	if err != nil || site.Name != before.Name || site.Epoch == before.Epoch || site.Epoch != done.Epoch || done.Awaited != 1 {
		t.Errorf("site %+v, %+v, %v", site, done, err)
	}
	if n, err := e.LogSize(ctx); err != nil || n != size+1 {
		t.Errorf("%d entries, want %d and the restore's own; %v", n, size, err)
	}
	if _, err := e.CheckLog(ctx); err != nil {
		t.Error(err)
	}
	if _, err := e.Pool.Exec(ctx, `UPDATE log_entry SET kind = 'x' WHERE index = 0`); err == nil {
		t.Error("the restored logbook can be changed")
	}
	if err := e.WriteOffJournal(ctx, w.Officer, uuid.New(), "no such machine"); err == nil {
		t.Error("wrote off what does not exist")
	}
	if noticed, err := e.NoticeRestore(ctx); err != nil || noticed.Epoch != [16]byte{} {
		t.Errorf("noticed again: %+v, %v", noticed, err)
	}
}
