package main

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
)

// place is where a server can be reached.
type place struct {
	Local  string   `json:"local"`  // HOST:PORT from this machine
	Secure string   `json:"secure"` // https://… from --secure-url, or empty
	lan    []string // HOST:PORT from other machines, where the server listens to them
	all    bool     // it listens on all of this machine's addresses
}

// base is what printed links begin with: an address that works at the terminal where they are read.
func (p place) base() string {
	if p.Secure != "" {
		return p.Secure
	}
	return "http://" + p.Local
}

// secureURL is https://host without a path, or empty where people come over plain HTTP.
func (p *program) secureURL() (string, error) {
	text, err := p.setting(p.flags.secureURL, "STILLROOM_SECURE_URL")
	if err != nil || text == "" {
		return "", err
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "" {
		return "", wrong("--secure-url: %q is not of the form https://host", text)
	}
	return "https://" + u.Host, nil
}

// placeOf reads where a listener listens, and for one that listens everywhere which addresses this machine has.
func placeOf(addr net.Addr, secure string) place {
	tcp, ok := addr.(*net.TCPAddr)
	if !ok {
		return place{Local: addr.String(), Secure: secure}
	}
	port := strconv.Itoa(tcp.Port)
	switch {
	case tcp.IP.IsUnspecified():
		return place{Local: net.JoinHostPort("127.0.0.1", port), Secure: secure, lan: lanAddresses(port), all: true}
	case tcp.IP.IsLoopback():
		return place{Local: tcp.String(), Secure: secure}
	default:
		return place{Local: tcp.String(), Secure: secure, lan: []string{tcp.String()}}
	}
}

// lanAddresses are this machine's addresses on its networks, IPv4 first: they are what a person can type. Addresses
// that change by themselves within a link are left out.
func lanAddresses(port string) []string {
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return nil // then only this machine's own address is told
	}
	var four, six []string
	for _, a := range addrs {
		prefix, err := netip.ParsePrefix(a.String())
		if err != nil {
			continue
		}
		switch ip := prefix.Addr().Unmap(); {
		case !ip.IsGlobalUnicast():
		case ip.Is4():
			four = append(four, net.JoinHostPort(ip.String(), port))
		default:
			six = append(six, net.JoinHostPort(ip.String(), port))
		}
	}
	return append(four, six...)
}

// tellPlaces says where the pages are.
func (p *program) tellPlaces(at place) {
	if at.Secure != "" {
		fmt.Fprintf(p.errs, "Stillroom answers at %s, by way of the proxy that leads to %s.\n", at.Secure, at.Local)
		return
	}
	fmt.Fprintf(p.errs, "Stillroom answers at http://%s\n", at.Local)
	for _, addr := range at.lan {
		if addr != at.Local {
			fmt.Fprintf(p.errs, "  from a tablet on the same network: http://%s\n", addr)
		}
	}
	switch {
	case at.all && len(at.lan) == 0:
		fmt.Fprintln(p.errs, "  no network was found through which a tablet could reach it.")
	case len(at.lan) > 0:
		fmt.Fprintln(p.errs, "  This is plain HTTP: only for a network that nobody else uses (see --secure-url).")
	}
}

// noteName is a file in the data folder that says where the server is, while it runs: healthcheck asks there, and
// links printed by other commands lead there.
const noteName = "serving.json"

type note struct{ path string }

// leaveNote writes the note. Where that is not possible (a data folder that cannot be written, with a database
// elsewhere) the other commands fall back to the default address or --addr.
func leaveNote(data string, at place, log *slog.Logger) note {
	n := note{filepath.Join(data, noteName)}
	text, err := json.Marshal(at)
	if err == nil {
		err = os.MkdirAll(data, 0o700)
	}
	if err == nil {
		// Aside and renamed, so that it is never read half.
		err = os.WriteFile(n.path+".new", append(text, '\n'), 0o644)
	}
	if err == nil {
		err = os.Rename(n.path+".new", n.path)
	}
	if err != nil {
		log.Warn("the note of where the server is could not be left", "error", err.Error())
		return note{}
	}
	return n
}

func (n note) remove() {
	if n.path != "" {
		_ = os.Remove(n.path) // one that stays is overwritten by the next server
	}
}

// served reads the note; without one it is the default.
func served(data string) place {
	var at place
	text, err := os.ReadFile(filepath.Join(data, noteName))
	if err != nil || json.Unmarshal(text, &at) != nil || at.Local == "" {
		return place{Local: defaultAddr}
	}
	return at
}

// linkBase is what a link printed by another command begins with.
func (p *program) linkBase(data string) (string, error) {
	secure, err := p.secureURL()
	if err != nil {
		return "", err
	}
	at := served(data)
	if secure != "" {
		at.Secure = secure
	}
	return at.base(), nil
}
