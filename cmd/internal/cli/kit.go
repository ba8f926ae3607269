package cli

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"pinchrod/cmd/internal/ask"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/guide"
)

// kitSorts are the sorts of tool that the walk reads with, in the order they
// are asked about.
var kitSorts = []survey.Sort{survey.SortTape, survey.SortLevel, survey.SortGauge, survey.SortRule}

// chooseKit asks, once for a job, which of the surveyor's own tools are in hand.
// A sort of which there is only the house's is not asked about. The choice is
// kept in the book as "tape=AB-1 level=level".
func (v *visit) chooseKit(ctx context.Context) error {
	v.tools = map[survey.Sort]string{}
	standing := v.desk.book.Chosen(survey.SettingKit)
	for _, c := range standing {
		for _, f := range strings.Fields(c.Value) {
			if sort, name, ok := strings.Cut(f, "="); ok {
				v.tools[survey.Sort(sort)] = name
			}
		}
	}
	asked := false
	for _, sort := range kitSorts {
		own := slices.DeleteFunc(slices.Clone(v.desk.kit), func(t survey.Tool) bool {
			_, err := survey.HouseKit.Tool(t.Name)
			return t.Sort != sort || err == nil
		})
		if len(own) == 0 || v.tools[sort] != "" {
			continue
		}
		name, err := v.chooseTool(ctx, sort, own)
		if err != nil {
			return err
		}
		v.tools[sort], asked = name, true
	}
	if !asked {
		return nil
	}
	var words []string
	for _, sort := range kitSorts {
		if v.tools[sort] != "" {
			words = append(words, string(sort)+"="+v.tools[sort])
		}
	}
	var old []journal.Ref
	for _, c := range standing {
		old = append(old, c.Ref)
	}
	_, err := v.setting(survey.SettingKit, strings.Join(words, " "), old)
	return err
}

// The keys of the tools are letters: in a burst of keys a digit would eat the
// beginning of the next reading. a to i are the surveyor's own.
const (
	firstTool = 'a'
	mostTools = 9
	houseTool = 'o'
)

func (v *visit) chooseTool(ctx context.Context, sort survey.Sort, own []survey.Tool) (string, error) {
	q := guide.Question{
		ID: "kit " + string(sort), Form: guide.Choice, Title: fmt.Sprintf("Which %s is in hand?", sort), Place: "the kit",
		N: 1, Of: 1, Choices: []guide.Option{{Key: houseTool, Label: "one like the house's"}},
	}
	for i, t := range own[:min(len(own), mostTools)] {
		q.Choices = append(q.Choices, guide.Option{Key: rune(firstTool + i), Label: t.Name})
	}
	wrong := ""
	for {
		in, err := v.asker.Ask(ctx, ask.Screen{Question: q, Wrong: wrong})
		if err != nil {
			return "", err
		}
		if in.Act == guide.Leave {
			return "", ask.ErrEnd
		}
		wrong = "take one of the letters"
		if in.Act != guide.Answer || len(in.Text) != 1 {
			continue
		}
		if in.Text[0] == houseTool {
			return string(sort), nil // the house's tool is called after its sort
		}
		if n := int(in.Text[0]) - firstTool; n >= 0 && n < min(len(own), mostTools) {
			return own[n].Name, nil
		}
	}
}

// toolFor is the tool in hand that a kind is read with, empty for the house's.
func (v *visit) toolFor(k *survey.Kind) string {
	usual, err := survey.HouseKit.Tool(k.Tool)
	if err != nil {
		return ""
	}
	name := v.tools[usual.Sort]
	if name == "" || name == string(usual.Sort) || usual.Name != string(usual.Sort) {
		return ""
	}
	return name
}
