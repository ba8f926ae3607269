package store

// WithSteps has step called between the steps of an open and of a rewrite; an
// error stops it there. closeFirst rewrites as on Windows.
func WithSteps(o Options, closeFirst bool, step func(name string) error) Options {
	o.step, o.closeFirst = step, closeFirst
	return o
}

// Break has a store meet a panic of bbolt's.
func Break(s *Store) error {
	return s.view(func(*ledger) error { panic("page 8: invalid page type") })
}
