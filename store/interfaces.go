package store

// The store has every use case on both databases.
var (
	_ Planning = (*Store)(nil)
	_ Diary    = (*Store)(nil)
)
