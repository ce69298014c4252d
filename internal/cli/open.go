package cli

import (
	"fmt"

	"headroom/internal/assess"
	"headroom/internal/ingest"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// openWorkspace finds and reads the workspace, and says on standard error what was left out of it.
func (e *env) openWorkspace() (*workspace.Workspace, error) {
	ws, err := e.readWorkspace()
	if err != nil {
		return nil, err
	}
	for _, p := range ws.Problems {
		e.note("left out: %s", p)
	}
	return ws, nil
}

// readWorkspace finds and reads the workspace; the caller shows what was left out.
func (e *env) readWorkspace() (*workspace.Workspace, error) {
	dir := e.workspace
	if dir == "" {
		var err error
		if dir, err = workspace.Find("."); err != nil {
			return nil, err
		}
	}
	return workspace.Open(dir)
}

// openStore opens a workspace's evidence.
func openStore(ws *workspace.Workspace) (*store.Store, error) {
	st, err := store.Open(ingest.StoreDir(ws.Dir))
	if err != nil {
		return nil, fmt.Errorf("evidence store: %w", err)
	}
	return st, nil
}

// openJob opens a workspace with its evidence, ready to be asked.
func (e *env) openJob() (*workspace.Workspace, *assess.Job, error) {
	ws, err := e.openWorkspace()
	if err != nil {
		return nil, nil, err
	}
	st, err := openStore(ws)
	if err != nil {
		return nil, nil, err
	}
	job, err := assess.Open(ws, st, version())
	return ws, job, err
}
