package sqlite

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard/store"
)

// readingsIn is every reading of a store in dir.
func readingsIn(t *testing.T, dir string) int {
	t.Helper()
	s, err := OpenForReading(t.Context(), dir)
	require.NoError(t, err)
	defer s.Close()
	return count(t, s, store.Query{})
}

func TestBackupWhileADaemonWrites(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "kept.db")
	daemon := open(t, dir)
	_, err := daemon.Keep(t.Context(), weights("h01", noon, 100))
	require.NoError(t, err)

	reader, err := OpenForReading(t.Context(), dir)
	require.NoError(t, err)
	require.NoError(t, reader.Backup(t.Context(), file))
	require.ErrorIs(t, reader.Backup(t.Context(), file), ErrThere, "a backup replaces nothing")
	require.NoError(t, reader.Close())

	_, err = daemon.Keep(t.Context(), weights("h02", noon, 100))
	require.NoError(t, err)
	left, err := os.ReadDir(filepath.Dir(file))
	require.NoError(t, err)
	require.Len(t, left, 1, "nothing half done is left behind")
	info, err := left[0].Info()
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	_, err = Restore(t.Context(), file, dir, true, noon)
	require.ErrorIs(t, err, store.ErrInUse, "not under a daemon that runs")
	require.Equal(t, 200, readingsIn(t, dir))

	elsewhere := filepath.Join(t.TempDir(), "new")
	_, err = Restore(t.Context(), file, elsewhere, false, noon)
	require.NoError(t, err)
	require.Equal(t, 100, readingsIn(t, elsewhere))
}

func TestRestoreKeepsWhatWasThere(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "kept.db")
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	_, err = s.Keep(t.Context(), weights("h01", noon, 100))
	require.NoError(t, err)
	require.NoError(t, s.Backup(t.Context(), file))
	_, err = s.Keep(t.Context(), weights("h02", noon, 100))
	require.NoError(t, err)
	require.NoError(t, s.Close())

	_, err = Restore(t.Context(), file, dir, false, noon)
	require.ErrorIs(t, err, ErrThere)
	require.Equal(t, 200, readingsIn(t, dir))

	old, err := Restore(t.Context(), file, dir, true, noon)
	require.NoError(t, err)
	require.Equal(t, filepath.Join(dir, "outyard.db.before-20270512T120000Z"), old)
	require.Equal(t, 100, readingsIn(t, dir))

	_, err = Restore(t.Context(), old, dir, true, noon)
	require.ErrorIs(t, err, ErrThere, "within a second: the old copy is not replaced")
	back := t.TempDir()
	_, err = Restore(t.Context(), old, back, false, noon)
	require.NoError(t, err)
	require.Equal(t, 200, readingsIn(t, back), "what was put aside is whole")
}

func TestADamagedStoreIsPutAsideToo(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "kept.db")
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	_, err = s.Keep(t.Context(), weights("h01", noon, 100))
	require.NoError(t, err)
	require.NoError(t, s.Backup(t.Context(), file))
	require.NoError(t, s.Close())
	broken := []byte("no database at all, whatever its name says")
	require.NoError(t, os.WriteFile(filepath.Join(dir, File), broken, 0o600))

	old, err := Restore(t.Context(), file, dir, true, noon)
	require.NoError(t, err)
	require.Equal(t, 100, readingsIn(t, dir))
	kept, err := os.ReadFile(old)
	require.NoError(t, err)
	require.Equal(t, broken, kept)
}

func TestVerify(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	for range 20 {
		_, err = s.Keep(t.Context(), weights("h01", noon, 2000))
		require.NoError(t, err)
	}
	whole := filepath.Join(t.TempDir(), "whole.db")
	require.NoError(t, s.Backup(t.Context(), whole))
	require.NoError(t, s.Close())
	require.NoError(t, Verify(t.Context(), whole))
	bytes, err := os.ReadFile(whole)
	require.NoError(t, err)

	spoilt := func(f func([]byte) []byte) []byte { return f(append([]byte(nil), bytes...)) }
	tests := []struct {
		name string
		file []byte
		want error
	}{
		{"a file cut short is damaged", spoilt(func(b []byte) []byte { return b[:len(b)-4096] }), store.ErrDamaged},
		{"a file with a page of something else is damaged", spoilt(func(b []byte) []byte {
			for i := range 4096 {
				b[len(b)-4096+i] = 0xa5
			}
			return b
		}), store.ErrDamaged},
		{"an empty file is no store", nil, store.ErrDamaged},
		{"a text is no store", []byte("time,yard,hive,weight_kg\n"), store.ErrDamaged},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			file, dir := filepath.Join(t.TempDir(), "f.db"), t.TempDir()
			require.NoError(t, os.WriteFile(file, tt.file, 0o600))
			require.ErrorIs(t, Verify(t.Context(), file), tt.want)
			_, err := Restore(t.Context(), file, dir, true, noon)
			require.ErrorIs(t, err, tt.want)
			require.NoFileExists(t, filepath.Join(dir, File))
		})
	}
	require.ErrorIs(t, Verify(t.Context(), filepath.Join(dir, "nowhere.db")), store.ErrNotFound)
}
