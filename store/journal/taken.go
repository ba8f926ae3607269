package journal

// Taken says what came of offering records to whoever keeps a log.
type Taken struct {
	Added  int // pages past what was held
	Filled int // pages that were known by their hash only, or not at all
	Known  int // pages that were held already
}
