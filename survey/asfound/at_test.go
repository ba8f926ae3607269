package asfound

import (
	"context"
	"reflect"
	"testing"

	"pinchrod/survey"
)

// One place by itself is found to be what it is among all.
func TestWorkAt(t *testing.T) {
	book := bookOf(readSheet(t, "../../cmd/internal/cli/demo.csv"))
	all := mustWork(book, Defaults())
	for _, tt := range []struct {
		at            survey.Place
		flights, bays []survey.Place
	}{
		{"F1/left", []survey.Place{"F1"}, []survey.Place{"F1/left"}},
		{"F1/right", []survey.Place{"F1"}, []survey.Place{"F1/right"}},
		{"F1", []survey.Place{"F1"}, []survey.Place{"F1/left", "F1/right"}},
		{"F2/left", []survey.Place{"F2"}, []survey.Place{"F2/left"}},
		{"F9", nil, nil},
		{"F1/middle", []survey.Place{"F1"}, nil},
	} {
		got, err := WorkAt(context.Background(), book, tt.at, Defaults())
		if err != nil {
			t.Fatal(err)
		}
		var flights, bays []survey.Place
		for i := range got.Flights {
			flights = append(flights, got.Flights[i].Place)
			for j := range all.Flights {
				if all.Flights[j].Place == got.Flights[i].Place && !reflect.DeepEqual(all.Flights[j], got.Flights[i]) {
					t.Errorf("at %s: flight %s is found otherwise than among all", tt.at, got.Flights[i].Place)
				}
			}
		}
		for i := range got.Bays {
			bays = append(bays, got.Bays[i].Place)
			for j := range all.Bays {
				if all.Bays[j].Place == got.Bays[i].Place && !reflect.DeepEqual(all.Bays[j], got.Bays[i]) {
					t.Errorf("at %s: bay %s is found otherwise than among all", tt.at, got.Bays[i].Place)
				}
			}
		}
		if !reflect.DeepEqual(flights, tt.flights) || !reflect.DeepEqual(bays, tt.bays) {
			t.Errorf("at %s: flights %v, bays %v; want %v, %v", tt.at, flights, bays, tt.flights, tt.bays)
		}
	}
}
