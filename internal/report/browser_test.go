package report

import (
	"context"
	"fmt"
	"maps"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// TestBrowser opens every page in a browser, wide and narrow, and looks at it as a reader would: nothing in the
// console, nothing requested but the page, nothing wider than the window, every drawing and the verdict to be seen.
func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser takes seconds")
	}
	binary := browser()
	if binary == "" {
		t.Skip("no chromium found")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(binary), chromedp.NoSandbox,
		chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()))
	allocator, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	defer cancel()
	ctx, cancel := chromedp.NewContext(allocator)
	defer cancel()
	var mu sync.Mutex
	var complaints, requests []string
	if err := chromedp.Listen(ctx, func(event any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := event.(type) {
		case *runtime.EventConsoleAPICalled:
			complaints = append(complaints, string(e.Type))
		case *runtime.EventExceptionThrown:
			complaints = append(complaints, e.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			complaints = append(complaints, e.Entry.Text)
		case *network.EventRequestWillBeSent:
			requests = append(requests, e.Request.URL)
		}
	}); err != nil {
		t.Skipf("the browser does not start: %v", err)
	}
	ctx, cancel = context.WithTimeout(ctx, 60*time.Second)
	defer cancel()
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	pages := map[string]string{"plots": traced(t, tracedInspections(), Options{})}
	for _, r := range renderings {
		pages[r.name] = render(t, r.name, HTML, Options{})
	}
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		file := filepath.Join(t.TempDir(), name+".html")
		if err := os.WriteFile(file, []byte(pages[name]), 0o644); err != nil {
			t.Fatal(err)
		}
		address := (&url.URL{Scheme: "file", Path: file}).String()
		for _, width := range []int64{1200, 390} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(address)); err != nil {
				t.Fatalf("%s at %d: %v", name, width, err)
			}
			seen, err := chromedp.Run(ctx, chromedp.Evaluate[measured](look))
			if err != nil {
				t.Fatalf("%s at %d: %v", name, width, err)
			}
			seen.check(t, fmt.Sprintf("%s at %d", name, width), name, width)
		}
		mu.Lock()
		if len(requests) == 0 {
			t.Errorf("%s: not even the page was seen to be asked for", name)
		}
		for _, u := range requests {
			if u != address {
				t.Errorf("%s: the page asks for %s", name, u)
			}
		}
		if len(complaints) > 0 {
			t.Errorf("%s: the console says %v", name, complaints)
		}
		complaints, requests = nil, nil
		mu.Unlock()
	}
}

func browser() string {
	for _, name := range []string{"chromium", "chromium-browser", "chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

// measured is what a page measures of itself.
type measured struct {
	Window, Content float64 // widths
	Plots, Hidden   int     // drawings, and those without a size
	Verdict         string  // its text, when it can be seen
	Small           int     // texts below 9 px
	Cut             int     // table cells wider than their table
}

const look = `(() => {
  const box = e => e.getBoundingClientRect();
  const style = e => getComputedStyle(e);
  const shown = e => { const b = box(e); return b.width > 20 && b.height > 8 && style(e).visibility === 'visible'; };
  const all = which => [...document.querySelectorAll(which)];
  const drawings = all('svg.plot, svg.strip, svg.series').filter(e => style(e).display !== 'none');
  const verdict = document.querySelector('.verdict strong');
  const texts = all('svg.plot text, svg.series text, svg.scale text').filter(e => box(e).width > 0);
  const cells = [...document.querySelectorAll('main table:not(.grid) td')];
  return {
    Window: document.documentElement.clientWidth,
    Content: document.documentElement.scrollWidth,
    Plots: drawings.length,
    Hidden: drawings.filter(e => !shown(e)).length,
    Verdict: verdict && shown(verdict) ? verdict.textContent : '',
    Small: texts.filter(e => box(e).height < 9).length,
    Cut: cells.filter(e => e.scrollWidth > e.clientWidth + 1).length,
  };
})()`

func (p measured) check(t *testing.T, at, name string, width int64) {
	t.Helper()
	if int64(p.Window) != width || p.Content > p.Window {
		t.Errorf("%s: the page is %v px wide in a window of %v", at, p.Content, p.Window)
	}
	if p.Hidden > 0 || p.Small > 0 || p.Cut > 0 {
		t.Errorf("%s: %d drawings cannot be seen, %d labels are too small, %d cells are cut off", at, p.Hidden, p.Small,
			p.Cut)
	}
	// the time axis for this width, four channels and a column left out; of the pull the speed over time and lambda
	// over both, and both again by itself, each with the numbers below it
	if name == "plots" && p.Plots != 1+5+2*3+2*2 {
		t.Errorf("%s: %d drawings", at, p.Plots)
	}
	if name == "review" || name == "awkward" {
		// four curves with data and the findings with prediction and limit
		if p.Plots < 4+4 {
			t.Errorf("%s: %d drawings", at, p.Plots)
		}
		if p.Verdict != "hold" {
			t.Errorf("%s: the verdict reads %q", at, p.Verdict)
		}
	}
}
