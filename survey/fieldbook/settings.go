package fieldbook

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

// Choice is a setting as it stands in the book.
type Choice struct {
	Ref   journal.Ref
	Name  string
	Value string
	Time  time.Time
}

type storedSetting struct {
	Name     string   `cbor:"1,keyasint"`
	Value    string   `cbor:"2,keyasint"`
	Replaces [][]byte `cbor:"3,keyasint,omitempty"` // references, as in keys
	MS       int64    `cbor:"4,keyasint"`
	Zone     int      `cbor:"5,keyasint"`
}

// settings reads the settings of the job that no other replaces.
func (b *Book) settings(kv KV) error {
	prefix := jobKey('C', b.Job.ID)
	replaced := map[string]bool{}
	for k, v := range kv.Scan(prefix) {
		var s storedSetting
		if err := journal.Unmarshal(v, &s); err != nil {
			return fmt.Errorf("reading the settings of job %q: %w", b.Job.Name, err)
		}
		if len(k) != len(prefix)+refLen {
			continue
		}
		for _, r := range s.Replaces {
			replaced[string(r)] = true
		}
		b.chosen = append(b.chosen, Choice{keyRef(k[len(prefix):]), s.Name, s.Value, unstamp(s.MS, s.Zone)})
	}
	b.chosen = slices.DeleteFunc(b.chosen, func(c Choice) bool { return replaced[string(refKey(nil, c.Ref))] })
	return nil
}

// Chosen gives the standing values of a setting: none when it was never set,
// two or more when people set it apart from each other to different values and
// nobody has ruled since.
func (b *Book) Chosen(name string) []Choice {
	var out []Choice
	for _, c := range b.chosen {
		if c.Name == name {
			out = append(out, c)
		}
	}
	return out
}

// Settings lists every standing setting, by name.
func (b *Book) Settings() []Choice {
	return slices.SortedStableFunc(slices.Values(b.chosen), func(a, c Choice) int { return cmp.Compare(a.Name, c.Name) })
}

// LoadKit gives a kit with the tools in the book and what checks said of them,
// in the order of the checks' days. What is wrong with a check is returned
// beside it.
func LoadKit(kv KV, house survey.Kit) (kit survey.Kit, wrong []error, err error) {
	var tools []survey.ToolRecord
	var checks []survey.ToolCheck
	for _, v := range kv.Scan([]byte{'T'}) {
		var t survey.ToolRecord
		if err := journal.Unmarshal(v, &t); err != nil {
			return nil, nil, fmt.Errorf("reading the kit: %w", err)
		}
		tools = append(tools, t)
	}
	for _, v := range kv.Scan([]byte{'U'}) {
		var c survey.ToolCheck
		if err := journal.Unmarshal(v, &c); err != nil {
			return nil, nil, fmt.Errorf("reading the kit: %w", err)
		}
		checks = append(checks, c)
	}
	slices.SortStableFunc(checks, func(a, b survey.ToolCheck) int { return cmp.Compare(a.When, b.When) })
	kit, wrong = house.Merge(tools, checks)
	return kit, wrong, nil
}
