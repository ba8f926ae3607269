package store_test

import (
	"testing"

	"pinchrod/store"
	"pinchrod/store/storetest"
)

func TestSuite(t *testing.T) {
	storetest.Run(t, func(t *testing.T) *store.Store {
		o := storetest.Options(t)
		o.Projector = storetest.Projection{V: 1}
		return storetest.New(t, o)
	})
}
