package e2e

import (
	"strings"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// watch collects what goes wrong in the page unseen: uncaught errors, and refusals by the content
// security policy. A connection that a test cuts is no fault.
func (p *page) watch() {
	p.t.Helper()
	add := func(s string) {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.faults = append(p.faults, s)
	}
	err := chromedp.Listen(p.ctx, func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			d := e.ExceptionDetails
			text := d.Text
			if d.Exception != nil {
				text += " " + d.Exception.Description
			}
			add(text)
		case *cdppage.EventJavascriptDialogOpening:
			// The page warns before it is left with something unsent: leave all the same.
			go func() { // a listener must not wait for the answer to a command
				_, _ = chromedp.Call(p.ctx, cdppage.HandleJavaScriptDialog, cdppage.HandleJavaScriptDialogParams{Accept: true})
			}()
		case *log.EventEntryAdded:
			if strings.Contains(e.Entry.Text, "Content Security Policy") {
				add(e.Entry.Text)
			}
		}
	})
	if err != nil {
		p.t.Fatal(err)
	}
	if _, err := chromedp.Call(p.ctx, log.Enable, cdp.Empty{}); err != nil {
		p.t.Fatal(err)
	}
	if _, err := chromedp.Call(p.ctx, runtime.Enable, cdp.Empty{}); err != nil {
		p.t.Fatal(err)
	}
}
