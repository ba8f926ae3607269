package asfound

import (
	"errors"
	"strings"
	"testing"
)

func TestFilletEnds(t *testing.T) {
	s := Defaults()
	if s.Fillets != BothBevelled {
		t.Errorf("fillet ends by default %q, want %q", s.Fillets, BothBevelled)
	}
	for _, e := range []FilletEnds{OneBevelled, SquareEnded, BothBevelled} {
		if err := s.Set("fillet-ends", string(e)); err != nil || s.Fillets != e {
			t.Errorf("fillet ends set to %q: %q, %v", e, s.Fillets, err)
		}
	}
	if err := s.Set("fillet-ends", "round"); !errors.Is(err, ErrSetting) || !strings.Contains(err.Error(), "both, one or square") || s.Fillets != BothBevelled {
		t.Errorf("fillet ends set to round: %q, %v", s.Fillets, err)
	}
}
