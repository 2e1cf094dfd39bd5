package chrome

import (
	"fmt"
	"os"
	"strings"
	"sync"

	"github.com/chromedp/cdproto/emulation"
)

// axeSource reads testdata/axe/axe.min.js once; the file is not embedded, since the program must not carry it.
var axeSource = sync.OnceValues(func() (string, error) {
	path, err := repositoryFile("testdata/axe/axe.min.js")
	if err != nil {
		return "", err
	}
	b, err := os.ReadFile(path)
	return string(b), err
})

// axeRun asks for violations only. preload would fetch style sheets anew, which the rules we run do not need.
const axeRun = `axe.run(document, {resultTypes: ['violations'], preload: false}).then(r =>
	r.violations.flatMap(v => v.nodes.map(n => v.id + ': ' + n.target.flat().join(' ') + ': ' + v.help +
		(n.any.concat(n.all)[0] ? ' (' + n.any.concat(n.all)[0].message + ')' : ''))))`

// Axe gives what axe-core finds wrong with the page as it stands, one line each: "rule: selector: help (detail)".
// Its default rules run, colour contrast and best practices included. With JavaScript off, scripts are on while it
// works.
func (p *Page) Axe() []string {
	p.t.Helper()
	found, err := p.tab.axe()
	p.must(err, "Axe()")
	return found
}

// Looks gives what is wrong with the page that stands there, one line each: where it is wider than a window of one of the
// sizes, and what Axe finds at the first of them in the dark and at the last in the light. The page is not loaded anew
// between, as it is not for a tablet that is turned. It stays at the last size, in the light.
func (p *Page) Looks(sizes ...[2]int) (wrong []string) {
	p.t.Helper()
	at := func(size [2]int, scheme string, axe bool) {
		p.t.Helper()
		p.Dark(scheme == "dark")
		p.Size(size[0], size[1])
		if n := p.Overflow(); n > 0 {
			wrong = append(wrong, fmt.Sprintf("it is %d px wider than a window of %d", n, size[0]))
		}
		if axe {
			for _, found := range p.Axe() {
				wrong = append(wrong, fmt.Sprintf("at %d px, %s: %s", size[0], scheme, found))
			}
		}
	}
	at(sizes[0], "dark", true)
	for i, size := range sizes {
		at(size, "light", i == len(sizes)-1)
	}
	return wrong
}

func (p *tab) axe() (found []string, err error) {
	source, err := axeSource()
	if err != nil {
		return nil, err
	}
	p.setDeaf(true)
	defer p.setDeaf(false)
	if p.noScripts {
		on := emulation.SetScriptExecutionDisabledParams{}
		if _, err := call(p, emulation.SetScriptExecutionDisabled, on); err != nil {
			return nil, err
		}
		defer func() {
			off := emulation.SetScriptExecutionDisabledParams{Value: true}
			if _, e := call(p, emulation.SetScriptExecutionDisabled, off); err == nil {
				err = e
			}
		}()
	}
	// Runtime.evaluate is not subject to the page's content security policy, so the page needs no exception for us.
	var there bool
	if err := p.eval("typeof axe !== 'undefined'", &there, false); err != nil {
		return nil, err
	}
	if !there {
		if err := p.eval(source+"\n;0", nil, false); err != nil {
			return nil, fmt.Errorf("axe-core: %w", err)
		}
	}
	if err := p.eval(strings.TrimSpace(axeRun), &found, true); err != nil {
		return nil, fmt.Errorf("axe-core: %w", err)
	}
	// Its messages to the console must have been heard before we listen again.
	return found, p.eval("0", nil, false)
}

func (p *tab) setDeaf(deaf bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.deaf = deaf
}
