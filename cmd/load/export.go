package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/google/uuid"

	"example.org/stillroom/internal/store"
)

// exportCommand is how this program calls itself: a process that does nothing but export, so that its memory is that of
// the export.
const exportCommand = "export-alone"

// mostMB is what the program may take while it exports.
const mostMB = 150

func (r *run) measureExport(ctx context.Context) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	dir := filepath.Join(r.data, "export")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	alone := exec.CommandContext(ctx, self, exportCommand, r.place.app, r.place.ID().String(), dir)
	alone.Stderr = os.Stderr
	said, err := alone.Output()
	if err != nil {
		return err
	}
	var peak float64
	if _, err := fmt.Sscan(string(said), &peak); err != nil {
		say("the memory of a process cannot be read on this system")
		return nil
	}
	r.results = append(r.results, result{what: fmt.Sprintf("peak memory while exporting %d batches", r.batches), floor: fmt.Sprintf("%d MB", mostMB), ours: fmt.Sprintf("%.0f MB", peak), ratio: peak / mostMB, most: 1})
	return nil
}

// exportAlone writes a workshop's tables into a folder and prints the most memory that it had, in MB.
func exportAlone(ctx context.Context, args []string) (err error) {
	if len(args) != 3 {
		return errors.New("give the serving role's URL, the workshop and a folder")
	}
	workshop, err := uuid.Parse(args[1])
	if err != nil {
		return err
	}
	s, err := store.Open(ctx, args[0])
	if err != nil {
		return err
	}
	defer s.Close()
	var open []*os.File
	defer func() {
		for _, f := range open {
			err = errors.Join(err, f.Close())
		}
	}()
	if err := s.Export(ctx, store.WorkshopID(workshop), func(name string) (io.Writer, error) {
		f, err := os.Create(filepath.Join(args[2], filepath.Base(name)))
		if err == nil {
			open = append(open, f)
		}
		return f, err
	}); err != nil {
		return err
	}
	fmt.Println(peakMB())
	return nil
}

// peakMB is the most memory that this process ever had resident. Linux tells; elsewhere it is empty. What a parent
// learns of an ended child counts from before the child's program began, which is the parent's own memory.
func peakMB() string {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return ""
	}
	for _, line := range strings.Split(string(status), "\n") {
		if words := strings.Fields(line); len(words) == 3 && words[0] == "VmHWM:" {
			var kB float64
			if _, err := fmt.Sscan(words[1], &kB); err == nil {
				return fmt.Sprintf("%.1f", kB/1024)
			}
		}
	}
	return ""
}
