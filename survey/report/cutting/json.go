package cutting

import (
	"encoding/json"
	"io"

	"pinchrod/calc/pieces"
	"pinchrod/survey/report/figure"
)

// The machine-readable sheet. Names are a contract: extend, never rename.
// Lengths in mm, angles in degrees, u one standard uncertainty; what is not known
// is null.
type (
	jsonSheet struct {
		Job         string        `json:"job"`
		Tag         string        `json:"tag"`
		Bay         string        `json:"bay"`
		Code        string        `json:"code"`
		Entry       string        `json:"entry"`
		Date        string        `json:"date"`
		Final       bool          `json:"final"`   // every piece can be cut
		Missing     *string       `json:"missing"` // why some pieces, or all, are not on it
		Rules       string        `json:"rules"`
		Caution     string        `json:"caution"`
		Units       string        `json:"units"`    // mm or in, of the printed sheet; here all is in mm
		Timber      *string       `json:"timber"`   // species and what was noted of the stock
		Measured    *string       `json:"measured"` // by whom, and when
		Used        []jsonReading `json:"used"`
		SetAside    []jsonReading `json:"set_aside"`
		SettleFirst []string      `json:"settle_first"`
		OutOfTrue   []string      `json:"out_of_true"`
		Unsure      []string      `json:"unsure"`
		Notes       []string      `json:"notes"`
		Asked       []string      `json:"asked"` // settings that are not the book's
		Spindles    *jsonSet      `json:"spindles"`
		BaseFillets *jsonSet      `json:"base_fillets"`
		RailFillets *jsonSet      `json:"rail_fillets"`
		Walk        *jsonWalk     `json:"walk"`
		Access      []jsonHole    `json:"access"`
		Labels      []jsonLabel   `json:"labels"`
		Card        []jsonPart    `json:"card"`
	}
	jsonReading struct {
		ID    string  `json:"id"`
		What  string  `json:"what"`
		Title string  `json:"title"`
		Value string  `json:"value"`
		Why   *string `json:"why,omitempty"`
	}
	jsonSet struct {
		Cut      string        `json:"cut"`
		Way      string        `json:"way"` // the same in words
		Why      string        `json:"why"`
		Final    bool          `json:"final"`
		Section  *string       `json:"section"`
		Count    int           `json:"count"`
		Spares   int           `json:"spares"`
		Step     *figure.Mark  `json:"step"`
		PAllFit  *figure.Mark  `json:"p_all_fit"`
		Minutes  *figure.Mark  `json:"expected_minutes"`
		Trims    *figure.Mark  `json:"expected_trims"`
		Recuts   *figure.Mark  `json:"expected_recuts"`
		Settings []jsonSetting `json:"settings"`
		Pieces   []jsonPiece   `json:"pieces"`
		Worth    *string       `json:"worth_reading"` // readings that save more minutes than they take
		Notes    []string      `json:"notes"`
		Walk     bool          `json:"walk_first"` // the spacer is walked before these are cut
	}
	jsonSetting struct {
		Setting       string      `json:"setting"`
		Stop          figure.Mark `json:"stop"`
		StopSide      string      `json:"stop_side"`
		Step          figure.Mark `json:"step"`
		Blank         figure.Mark `json:"blank"`
		TipToTip      figure.Mark `json:"tip_to_tip"`
		LongEdge      figure.Mark `json:"long_edge"`
		ShortEdge     figure.Mark `json:"short_edge"`
		BevelLow      figure.Mark `json:"bevel_low"`
		BevelHigh     figure.Mark `json:"bevel_high"`
		LongPointLow  *string     `json:"long_point_low"`
		LongPointHigh *string     `json:"long_point_high"`
		Hand          string      `json:"hand"`
		CutToFit      bool        `json:"cut_to_fit"`
		Over          figure.Mark `json:"over"` // how much longer than needed, to be trimmed on site
		Pieces        []int       `json:"pieces"`
		Spares        int         `json:"spares"`
	}
	jsonPiece struct {
		Piece     string       `json:"piece"`
		Number    int          `json:"number"`
		Setting   *string      `json:"setting"`
		Needed    *figure.Mark `json:"needed"`
		Expected  *figure.Mark `json:"expected"` // needed, but of the last fillet what those before it leave
		U         *figure.Mark `json:"u"`
		BevelLow  *figure.Mark `json:"bevel_low"` // its own, not the saw's
		BevelHigh *figure.Mark `json:"bevel_high"`
		CutToFit  bool         `json:"cut_to_fit"`
		Access    bool         `json:"access"`
	}
	jsonWalk struct {
		Count  int         `json:"count"`
		Spacer figure.Mark `json:"spacer"`
		Short  figure.Mark `json:"short"` // + short of the upper post, − over
		U      figure.Mark `json:"u"`
	}
	jsonHole struct {
		Rail    string      `json:"rail"`
		At      figure.Mark `json:"at"`
		Piece   *string     `json:"piece"`
		Spindle *string     `json:"spindle"` // that hides it
	}
	jsonLabel struct {
		Piece   string `json:"piece"`
		Setting string `json:"setting"`
		Note    string `json:"note"`
		Text    string `json:"text"` // of its QR code
	}
	jsonPart struct {
		Title string   `json:"title"`
		Steps []string `json:"steps"`
	}
)

// of is a figure that is known, written to a ten-thousandth: what a sheet prints
// is coarser.
func of(v float64) *figure.Mark { n := figure.Mark(v); return &n }

func maybe(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// orNone is a list that is never null.
func orNone[T any](v []T) []T {
	if v == nil {
		return []T{}
	}
	return v
}

// JSON writes the sheet for scripts.
func (s *Sheet) JSON(w io.Writer) error {
	out := jsonSheet{
		Job: s.Job, Tag: s.Tag, Bay: string(s.Bay), Code: s.Code, Entry: s.Entry, Date: s.Date.Format("2006-01-02"),
		Final: s.Final(), Missing: maybe(s.Missing), Rules: s.Rules, Caution: s.Caution,
		Units: s.Rule.Unit(), Timber: maybe(s.Timber), Measured: maybe(s.Measured),
		Used: readingsJSON(s.Used), SetAside: readingsJSON(s.SetAside),
		SettleFirst: orNone(s.Hold), OutOfTrue: orNone(s.Settle), Unsure: orNone(s.Unsure), Notes: orNone(s.Notes), Asked: orNone(s.Asked),
		Spindles: s.setJSON(pieces.Spindle), BaseFillets: s.setJSON(pieces.BaseFillet), RailFillets: s.setJSON(pieces.RailFillet),
		Access: []jsonHole{}, Labels: []jsonLabel{}, Card: []jsonPart{},
	}
	if k := s.Walk; k != nil {
		out.Walk = &jsonWalk{k.Count, figure.Mark(k.Spacer), figure.Mark(k.Short.Value), figure.Mark(k.Short.U)}
	}
	for _, h := range s.Holes {
		j := jsonHole{Rail: "base", At: figure.Mark(h.At), Piece: maybe(h.Piece)}
		if h.Rail {
			j.Rail = "rail"
		}
		if h.Under > 0 {
			j.Spindle = maybe(id(pieces.Spindle, h.Under))
		}
		out.Access = append(out.Access, j)
	}
	for _, l := range s.Labels() {
		out.Labels = append(out.Labels, jsonLabel{l.Piece, l.Setting, l.Note, l.Text()})
	}
	for _, p := range s.Card() {
		out.Card = append(out.Card, jsonPart(p))
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(out)
}

func readingsJSON(in []Reading) []jsonReading {
	out := []jsonReading{}
	for _, r := range in {
		out = append(out, jsonReading{r.Ref, string(r.What), r.Title, r.Value, maybe(r.Why)})
	}
	return out
}

func (s *Sheet) setJSON(k pieces.Kind) *jsonSet {
	t := s.Set(k)
	if t == nil {
		return nil
	}
	out := &jsonSet{
		Cut: string(t.Cut), Way: t.Way(), Why: t.Why, Walk: t.WalkFirst, Final: t.Final(), Section: maybe(t.Section), Count: len(t.Pieces), Spares: t.Spares,
		Settings: []jsonSetting{}, Pieces: []jsonPiece{}, Worth: maybe(t.Worth), Notes: orNone(t.Notes),
	}
	if t.Final() {
		out.Step, out.Minutes = of(t.Step), of(t.Minutes)
		if t.Kind == pieces.Spindle {
			out.PAllFit, out.Trims, out.Recuts = of(t.P), of(t.Trims), of(t.Recuts)
		}
	}
	long := func(c Cut) *string {
		if c.Long == pieces.Neither {
			return nil
		}
		return maybe(c.Long.String())
	}
	for _, g := range t.Settings {
		out.Settings = append(out.Settings, jsonSetting{
			Setting: g.Name, Stop: figure.Mark(g.Stop), StopSide: g.Side.String(), Blank: figure.Mark(g.Blank),
			Step: figure.Mark(g.Step), TipToTip: figure.Mark(g.Tip), Over: figure.Mark(g.Over),
			LongEdge: figure.Mark(g.Long()), ShortEdge: figure.Mark(g.Short()), BevelLow: figure.Mark(g.Low.Dial), BevelHigh: figure.Mark(g.High.Dial),
			LongPointLow: long(g.Low), LongPointHigh: long(g.High), Hand: g.Hand, CutToFit: g.ToFit, Pieces: g.Pieces, Spares: g.Spares,
		})
	}
	for _, p := range t.Pieces {
		j := jsonPiece{Piece: p.ID, Number: p.Number, CutToFit: p.ToFit, Access: p.Access}
		if p.Setting >= 0 {
			j.Setting = maybe(t.Settings[p.Setting].Name)
			j.Needed, j.Expected, j.U, j.BevelLow, j.BevelHigh = of(p.Needed), of(p.Expected), of(p.U), of(p.Bevels[0]), of(p.Bevels[1])
		}
		out.Pieces = append(out.Pieces, j)
	}
	return out
}
