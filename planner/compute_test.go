package planner

import (
	"context"
	"errors"
	"testing"
	"time"
)

func TestACallerWhoseTimeRunsOutIsAnsweredAtOnceAndTheWorkKeepsItsPlace(t *testing.T) {
	c := &computing{places: make(chan struct{}, 1)}
	ctx, cancel := context.WithCancel(t.Context())
	began, finish := make(chan struct{}), make(chan struct{})
	answered := make(chan error, 1)
	go func() {
		_, err := compute(ctx, c, func() (int, error) {
			close(began)
			<-finish
			return 1, nil
		})
		answered <- err
	}()
	<-began
	cancel()
	if err := <-answered; !errors.Is(err, context.Canceled) {
		t.Errorf("the caller got %v", err)
	}
	// The only place is still taken: another caller waits for it and may leave.
	hurried, leave := context.WithCancel(t.Context())
	leave()
	if _, err := compute(hurried, c, func() (int, error) { return 2, nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("a caller without time got %v", err)
	}
	close(finish)
	c.wait()
	if got, err := compute(t.Context(), c, func() (int, error) { return 3, nil }); got != 3 || err != nil {
		t.Errorf("after it ended: %d, %v", got, err)
	}
}

func fixedNow() time.Time { return time.Date(2026, 3, 3, 8, 0, 0, 0, time.UTC) }
