package bench

import (
	"fmt"
	"slices"
	"strings"

	"golang.org/x/net/html"
)

// void elements have no end tag (HTML, 13.1.2).
var void = []string{"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}

// balanced tells what tag of a page is not closed in its turn. A parser would
// mend it and say nothing.
func balanced(page string) error {
	z := html.NewTokenizer(strings.NewReader(page))
	var open []string
	for {
		switch z.Next() {
		case html.ErrorToken:
			if len(open) > 0 {
				return fmt.Errorf("%v are never closed", open)
			}
			return nil
		case html.StartTagToken:
			if name, _ := z.TagName(); !slices.Contains(void, string(name)) {
				open = append(open, string(name))
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			if len(open) == 0 || open[len(open)-1] != string(name) {
				return fmt.Errorf("</%s> closes %v", name, open)
			}
			open = open[:len(open)-1]
		}
	}
}

// element is a node of a page with what the checks ask of it.
type element struct {
	*html.Node
	attr map[string]string
}

func attrs(n *html.Node) map[string]string {
	out := map[string]string{}
	for _, a := range n.Attr {
		out[a.Key] = a.Val
	}
	return out
}

// elements are those of a page in their order.
func elements(page string) (out []element) {
	root, err := html.Parse(strings.NewReader(page))
	if err != nil {
		return nil
	}
	for n := range root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		out = append(out, element{n, attrs(n)})
	}
	return out
}

// words are the text of a page or a part of it, spaces run together.
func words(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode && d.Parent.Data != "script" && d.Parent.Data != "style" {
			b.WriteString(d.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// accessible lists what of a page would stop a person who cannot see it, or has
// no mouse, or would be refused by the policy.
func accessible(page string) (wrong []string) {
	say := func(format string, a ...any) { wrong = append(wrong, fmt.Sprintf(format, a...)) }
	if err := balanced(page); err != nil {
		say("%v", err)
	}
	all := elements(page)
	ids, labels := map[string]int{}, map[string]bool{}
	count := map[string]int{}
	for _, e := range all {
		count[e.Data]++
		if id, ok := e.attr["id"]; ok {
			ids[id]++
		}
		if e.Data == "label" && words(e.Node) != "" {
			labels[e.attr["for"]] = true
		}
	}
	for id, n := range ids {
		if n > 1 || id == "" || strings.ContainsAny(id, " \t\n") {
			say("%d elements have the id %q", n, id)
		}
	}
	for tag, want := range map[string]int{"html": 1, "h1": 1, "main": 1, "header": 1, "footer": 1, "nav": 1, "title": 1 + count["svg"], "script": 1} {
		if count[tag] != want {
			say("%d <%s>, want %d", count[tag], tag, want)
		}
	}
	level := 1
	for _, e := range all {
		for name, value := range e.attr {
			if strings.HasPrefix(name, "on") || name == "style" {
				say("<%s %s=%q>", e.Data, name, value)
			}
			if slices.Contains([]string{"aria-describedby", "aria-labelledby", "for"}, name) {
				for _, id := range strings.Fields(value) {
					if ids[id] == 0 {
						say("<%s %s=%q>: no such id", e.Data, name, value)
					}
				}
			}
			if name == "href" && strings.HasPrefix(value, "#") && ids[value[1:]] == 0 {
				say("link to %s, which is not there", value)
			}
		}
		switch e.Data {
		case "html":
			if e.attr["lang"] != "en" {
				say("no language")
			}
		case "script":
			if e.attr["src"] == "" || e.FirstChild != nil {
				say("a script within the page")
			}
		case "style", "iframe", "object", "embed":
			say("<%s>", e.Data)
		case "img":
			if e.attr["alt"] == "" {
				say("<img src=%q> says nothing", e.attr["src"])
			}
		case "input", "select", "textarea":
			if e.attr["type"] != "hidden" && !labels[e.attr["id"]] {
				say("<%s name=%q> has no label", e.Data, e.attr["name"])
			}
		case "table":
			if first := e.FirstChild; first == nil || !slices.ContainsFunc(slices.Collect(e.ChildNodes()), func(n *html.Node) bool { return n.Data == "caption" && words(n) != "" }) {
				say("a table without a caption")
			}
		case "th":
			if s := e.attr["scope"]; s != "col" && s != "row" || words(e.Node) == "" {
				say("a heading %q of a table with scope %q", words(e.Node), s)
			}
		case "a", "button", "summary", "h1", "h2", "h3", "caption", "label":
			if words(e.Node) == "" && !slices.ContainsFunc(slices.Collect(e.Descendants()), func(n *html.Node) bool { return n.Data == "img" }) {
				say("an empty <%s>", e.Data)
			}
		}
		if len(e.Data) == 2 && e.Data[0] == 'h' && e.Data[1] >= '1' && e.Data[1] <= '6' {
			if l := int(e.Data[1] - '0'); l > level+1 {
				say("<%s> %q after an h%d", e.Data, words(e.Node), level)
			} else {
				level = l
			}
		}
	}
	return wrong
}
