package chrome

import (
	"fmt"
	"strings"

	"github.com/chromedp/cdproto/inspector"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
)

func (p *tab) note(s string) {
	if !p.deaf {
		p.errors = append(p.errors, s)
	}
}

// hearTrouble notes what a developer would see in red. A document answered with 4xx is not trouble: that is how a
// page tells a person that a form cannot be taken.
func (p *tab) hearTrouble(ev any) {
	switch ev := ev.(type) {
	case *runtime.EventConsoleAPICalled:
		if ev.Type == runtime.ConsoleAPICalledTypeError || ev.Type == runtime.ConsoleAPICalledTypeAssert {
			p.note("console: " + consoleText(ev.Args))
		}
	case *runtime.EventExceptionThrown:
		p.note("exception: " + exceptionText(ev.ExceptionDetails))
	case *log.EventEntryAdded:
		// Requests are told below, with their status.
		if ev.Entry.Level == log.EntryLevelError && ev.Entry.Source != log.EntrySourceNetwork {
			p.note(strings.TrimSpace(fmt.Sprintf("%s: %s %s", ev.Entry.Source, ev.Entry.Text, ev.Entry.URL)))
		}
	case *network.EventRequestWillBeSent:
		p.requests[ev.RequestID] = ev.Request.Method + " " + ev.Request.URL
	case *network.EventResponseReceived:
		main := ev.Type == network.ResourceTypeDocument && ev.FrameID == p.main
		if main {
			p.status = int(ev.Response.Status)
		}
		if strings.HasSuffix(ev.Response.URL, "/favicon.ico") { // Chromium's own idea, at a moment of its choosing
			return
		}
		if ev.Response.Status >= 500 || (ev.Response.Status >= 400 && ev.Type != network.ResourceTypeDocument) {
			p.note(fmt.Sprintf("response: %s: %d", p.requests[ev.RequestID], ev.Response.Status))
		}
	case *network.EventLoadingFailed:
		if ev.Canceled || ev.ErrorText == "net::ERR_ABORTED" { // the page left, or the answer is a download
			return
		}
		p.note(strings.TrimSpace(fmt.Sprintf("request: %s: %s %s", p.requests[ev.RequestID], ev.ErrorText, ev.BlockedReason)))
	case *inspector.EventTargetCrashed:
		p.note("the page crashed")
	}
}

func consoleText(args []*runtime.RemoteObject) string {
	var words []string
	for _, a := range args {
		switch {
		case a.Description != "":
			words = append(words, a.Description)
		case len(a.Value) > 0:
			words = append(words, strings.Trim(string(a.Value), `"`))
		default:
			words = append(words, string(a.Type))
		}
	}
	return strings.Join(words, " ")
}

func exceptionText(d *runtime.ExceptionDetails) string {
	text := d.Text
	if d.Exception != nil && d.Exception.Description != "" {
		text = d.Exception.Description
	} else if d.Exception != nil && len(d.Exception.Value) > 0 {
		text += " " + string(d.Exception.Value)
	}
	if d.URL != "" {
		text += fmt.Sprintf(" (%s:%d)", d.URL, d.LineNumber+1)
	}
	return text
}
