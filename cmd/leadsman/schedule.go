package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"filippo.io/age"

	"leadsman/store"
)

// schedule makes encrypted backups every day while the service runs.
type schedule struct {
	folder, at, passphraseFile string
	to                         several
	keep                       int
	recipients                 []age.Recipient
}

func (s *schedule) flags(fs *flag.FlagSet) {
	fs.StringVar(&s.folder, "backups", os.Getenv("LEADSMAN_BACKUPS"), "folder, on another disk, for an encrypted backup every day")
	fs.StringVar(&s.at, "backups-at", env("LEADSMAN_BACKUPS_AT", "02:30"), "time of the day for it")
	fs.Var(&s.to, "backups-to", "whom it is encrypted to: a recipient of age such as age1...; may be given more than once")
	fs.StringVar(&s.passphraseFile, "backups-passphrase-file", os.Getenv("LEADSMAN_BACKUPS_PASSPHRASE_FILE"), "file with a passphrase that it is encrypted with")
	fs.IntVar(&s.keep, "backups-keep", 30, "how many of them are kept")
}

func (s *schedule) check() (err error) {
	if s.folder == "" {
		return nil
	}
	if _, err := time.Parse("15:04", s.at); err != nil {
		return fmt.Errorf("--backups-at %q: write a time of the day such as 02:30", s.at)
	}
	if s.keep < 1 {
		return fmt.Errorf("--backups-keep %d: at least one has to be kept", s.keep)
	}
	to := []string(s.to)
	if env := os.Getenv("LEADSMAN_BACKUPS_TO"); env != "" && len(to) == 0 {
		to = strings.Fields(env)
	}
	if s.recipients, err = recipients(to, s.passphraseFile); err != nil {
		return err
	}
	if len(s.recipients) == 0 {
		return errors.New("--backups needs --backups-to or --backups-passphrase-file: a backup holds the key, so one that is not encrypted can be read by whoever gets it")
	}
	return nil
}

// Names of backups tell the time, and sort by it.
const (
	backupPrefix = "leadsman-"
	backupSuffix = ".age"
)

// next is the first time of the schedule after now.
func (s *schedule) next(now time.Time) time.Time {
	at, _ := time.Parse("15:04", s.at) // checked
	next := time.Date(now.Year(), now.Month(), now.Day(), at.Hour(), at.Minute(), 0, 0, now.Location())
	if !next.After(now) {
		next = next.AddDate(0, 0, 1)
	}
	return next
}

// due reports whether a backup is owed: none was made since the last time of the schedule, for the service did not run or the disk was away.
func (s *schedule) due(now time.Time) bool {
	made := s.made()
	if len(made) == 0 {
		return true
	}
	last, err := time.ParseInLocation("20060102-150405", strings.TrimSuffix(strings.TrimPrefix(made[len(made)-1], backupPrefix), backupSuffix), now.Location())
	return err != nil || s.next(last).Before(now)
}

// made lists the backups in the folder, the newest last.
func (s *schedule) made() (names []string) {
	entries, _ := os.ReadDir(s.folder)
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), backupPrefix) && strings.HasSuffix(e.Name(), backupSuffix) && e.Type().IsRegular() {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return names
}

// run makes backups until ctx ends. One that fails is tried again every ten minutes.
func (s *schedule) run(ctx context.Context, st *store.Store, now func() time.Time, log *slog.Logger, told func(error)) {
	const again = 10 * time.Minute
	for {
		wait := time.Until(s.next(now()))
		if s.due(now()) {
			path, err := s.make(ctx, st, now())
			if ctx.Err() != nil {
				return
			}
			told(err)
			if err != nil {
				log.Error("backup failed", "error", err)
				wait = again
			} else {
				log.Info("backup made and read back", "file", path)
			}
		}
		select {
		case <-time.After(min(wait, again)): // the clock may be set, and the computer may have slept
		case <-ctx.Done():
			return
		}
	}
}

// make makes a backup, which is read back before it is encrypted, and lets the oldest go.
func (s *schedule) make(ctx context.Context, st *store.Store, now time.Time) (path string, err error) {
	if err := os.MkdirAll(s.folder, 0o700); err != nil {
		return "", err
	}
	path = filepath.Join(s.folder, backupPrefix+now.Format("20060102-150405")+backupSuffix)
	rep, err := st.Backup(ctx, path, s.recipients...)
	if err != nil {
		return "", err
	}
	if err := rep.Err(); err != nil {
		return path, fmt.Errorf("the backup was made, but what it holds has problems, so no older one was removed: %w", err)
	}
	made := s.made()
	for _, old := range made[:max(0, len(made)-s.keep)] {
		if err := os.Remove(filepath.Join(s.folder, old)); err != nil {
			return path, fmt.Errorf("the backup was made; an old one stays: %w", err)
		}
	}
	return path, nil
}
