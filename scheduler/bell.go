package scheduler

import "sync"

// bell wakes all who listen when it rings.
type bell struct {
	mu   sync.Mutex
	next chan struct{}
}

// listen returns what is closed at the next ring.
func (b *bell) listen() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.next == nil {
		b.next = make(chan struct{})
	}
	return b.next
}

func (b *bell) ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.next != nil {
		close(b.next)
		b.next = nil
	}
}
