package cli

import (
	"fmt"
	"sync"

	"github.com/schollz/progressbar/v3"
)

// bar returns a function to report progress with and one to end it. With --progress auto it shows only on a terminal.
func (e *env) bar(what string) (step func(done, total int), end func(), err error) {
	show := false
	switch e.progress {
	case "always":
		show = true
	case "auto":
		show = isTerminal(e.err) && !e.quiet
	case "never":
	default:
		return nil, nil, usageError{fmt.Errorf("--progress is %q: give auto, always or never", e.progress)}
	}
	if !show {
		return func(int, int) {}, func() {}, nil
	}
	var mu sync.Mutex
	var b *progressbar.ProgressBar
	step = func(done, total int) {
		mu.Lock()
		defer mu.Unlock()
		if b == nil {
			b = progressbar.NewOptions(total, progressbar.OptionSetWriter(e.err),
				progressbar.OptionSetDescription(what),
				progressbar.OptionShowCount(), progressbar.OptionClearOnFinish(),
				progressbar.OptionSetPredictTime(true))
		}
		if done > int(b.State().CurrentNum) {
			_ = b.Set(done)
		}
	}
	end = func() {
		mu.Lock()
		defer mu.Unlock()
		if b != nil {
			_ = b.Finish()
		}
	}
	return step, end, nil
}
