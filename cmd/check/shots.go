package main

import (
	"errors"
	"flag"
	"fmt"
	"os"

	"example.org/stillroom/internal/chrome"
)

// shots takes pictures of pages of a running program, for people to look at.
func shots(args []string) int {
	flags := flag.NewFlagSet("shots", flag.ContinueOnError)
	s := chrome.Shots{}
	flags.StringVar(&s.URL, "url", "", "where the program answers, such as http://127.0.0.1:8080")
	flags.StringVar(&s.Login, "login", "", "link that signs in; visited once, before the pages")
	flags.StringVar(&s.Out, "out", "", "folder for the pictures")
	flags.BoolVar(&s.Dark, "dark", false, "as somebody sees them who prefers a dark scheme")
	flags.Usage = func() {
		fmt.Fprintln(flags.Output(), "usage: go run ./cmd/check shots -url URL [-login LINK] -out DIR [-dark] PATH …")
		fmt.Fprintln(flags.Output(), "Takes each page at 1280x800, 1180x820, 820x1180 and 390x844, and tells its errors and overflow.")
		flags.PrintDefaults()
	}
	if err := flags.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return 0
		}
		return 2
	}
	s.Paths = flags.Args()
	if s.URL == "" || s.Out == "" || len(s.Paths) == 0 {
		flags.Usage()
		return 2
	}
	if err := s.Take(os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "check shots:", err)
		return 1
	}
	return 0
}
