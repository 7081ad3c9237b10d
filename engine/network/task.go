package network

import (
	"context"
	"sync/atomic"
)

// Task is a piece of work that may take long: all readings of one model count for it,
// and end with it. A nil Task is never ended.
type Task struct {
	ctx    context.Context
	solved atomic.Int64
}

// NewTask makes a task that ends when the context does.
func NewTask(ctx context.Context) *Task { return &Task{ctx: ctx} }

// Solved gives how many readings were worked out so far.
func (t *Task) Solved() int64 { return t.solved.Load() }

// Err gives the context's error once the task is to end, nil before. Loops that take
// long without a reading ask for it.
func (t *Task) Err() error {
	if t == nil {
		return nil
	}
	return t.ctx.Err()
}

// step counts a reading.
func (t *Task) step() error {
	if t == nil {
		return nil
	}
	t.solved.Add(1)
	return t.ctx.Err()
}
