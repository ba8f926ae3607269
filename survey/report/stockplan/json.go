package stockplan

import (
	"encoding/json"
	"io"

	"pinchrod/survey"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
)

// The machine-readable plan; see the package comment. Names are a contract:
// extend, never rename.
type (
	jsonPlan struct {
		Job       string        `json:"job"`
		Code      string        `json:"code"`
		Entry     string        `json:"entry"`
		Date      string        `json:"date"`
		Complete  bool          `json:"complete"`
		Done      []jsonDone    `json:"already_cut"`
		LeftOut   []jsonLeft    `json:"left_out"`
		Rules     string        `json:"rules"`
		Caution   string        `json:"caution"`
		Sheets    []jsonSheet   `json:"sheets"`
		Kerf      figure.Mark   `json:"kerf"`
		Trim      figure.Mark   `json:"trim"`
		MinOffcut figure.Mark   `json:"min_offcut"`
		Sections  []jsonSection `json:"sections"`
		Total     jsonTotal     `json:"total"`
		Bars      []jsonBar     `json:"bars"`
		BarsCode  *string       `json:"bars_code"`
	}
	jsonLeft struct {
		Bay  *string `json:"bay"`
		What string  `json:"what"`
		Why  string  `json:"why"`
		Next string  `json:"next"`
	}
	jsonDone struct {
		Bay    string `json:"bay"`
		Pieces string `json:"pieces"`
	}
	jsonSheet struct {
		Bay  string `json:"bay"`
		Code string `json:"code"`
	}
	jsonSection struct {
		Section    string       `json:"section"`
		Pieces     int          `json:"pieces"`
		Buy        []jsonBuy    `json:"buy"`
		Cost       *figure.Mark `json:"cost"`
		Claim      string       `json:"claim"`
		Proven     bool         `json:"proven"`
		Gap        figure.Mark  `json:"gap"`
		Length     figure.Mark  `json:"length"`
		Waste      figure.Mark  `json:"waste"`
		WasteShare figure.Mark  `json:"waste_percent"`
		WasteBound figure.Mark  `json:"waste_bound"`
		Short      []jsonShort  `json:"short"`
	}
	jsonShort struct {
		Length figure.Mark `json:"length"`
		Count  int         `json:"count"`
	}
	jsonBuy struct {
		Length figure.Mark  `json:"length"`
		Count  int          `json:"count"`
		Price  *figure.Mark `json:"price"`
		Rack   bool         `json:"rack"`
		Label  *string      `json:"label"`
	}
	jsonTotal struct {
		Pieces     int          `json:"pieces"`
		Spares     int          `json:"spares"`
		Buy        int          `json:"buy"`
		Rack       int          `json:"rack"`
		Cost       *figure.Mark `json:"cost"`
		Length     figure.Mark  `json:"length"`
		Waste      figure.Mark  `json:"waste"`
		WasteShare figure.Mark  `json:"waste_percent"`
		Keep       []jsonKeep   `json:"keep"`
	}
	jsonKeep struct {
		Section string      `json:"section"`
		Length  figure.Mark `json:"length"`
		Count   int         `json:"count"`
	}
	jsonBar struct {
		Bar     int          `json:"bar"`
		Section string       `json:"section"`
		Length  figure.Mark  `json:"length"`
		Price   *figure.Mark `json:"price"`
		Rack    bool         `json:"rack"`
		Label   *string      `json:"label"`
		Cuts    []jsonCut    `json:"cuts"`
		Rest    figure.Mark  `json:"rest"`
		Keep    *figure.Mark `json:"keep"`
		Waste   figure.Mark  `json:"waste"`
	}
	jsonCut struct {
		Bay           string      `json:"bay"`
		Kind          string      `json:"kind"`
		Piece         string      `json:"piece"`
		Setting       string      `json:"setting"`
		Stop          figure.Mark `json:"stop"`
		StopSide      string      `json:"stop_side"`
		BevelLow      figure.Mark `json:"bevel_low"`
		BevelHigh     figure.Mark `json:"bevel_high"`
		LongPointLow  *string     `json:"long_point_low"`
		LongPointHigh *string     `json:"long_point_high"`
		From          figure.Mark `json:"from"`
		To            figure.Mark `json:"to"`
		Spare         bool        `json:"spare"`
		CutToFit      bool        `json:"cut_to_fit"`
	}
)

// Mark is written to a tenth of a micrometre.
// JSON writes the plan for programs.
func (p *Plan) JSON(w io.Writer) error {
	out := jsonPlan{
		Job: p.Job, Code: p.Code, Entry: p.Entry, Date: p.Date.Format("2006-01-02"), Complete: p.Complete(), Rules: p.Rules, Caution: p.Caution,
		Kerf: figure.Mark(p.Kerf), Trim: figure.Mark(p.Trim), MinOffcut: figure.Mark(p.MinOffcut),
		Done: []jsonDone{}, LeftOut: []jsonLeft{}, Sheets: []jsonSheet{}, Sections: []jsonSection{}, Bars: []jsonBar{}, BarsCode: maybe(p.Mark),
	}
	for _, d := range p.Done {
		out.Done = append(out.Done, jsonDone{string(d.Bay), d.Pieces})
	}
	for _, l := range p.Left {
		out.LeftOut = append(out.LeftOut, jsonLeft{maybe(string(l.Bay)), l.What, l.Why, l.Next})
	}
	for _, s := range p.Sheets {
		out.Sheets = append(out.Sheets, jsonSheet{string(s.Bay), s.Code})
	}
	for _, s := range p.Sections {
		j := jsonSection{
			Section: s.Name, Pieces: s.Pieces, Buy: []jsonBuy{}, Claim: s.Claim, Proven: s.Proven, Gap: figure.Mark(s.Gap), Length: figure.Mark(s.Length),
			Waste: figure.Mark(s.Waste), WasteShare: figure.Mark(s.WastePercent()), WasteBound: figure.Mark(s.WasteBound),
			Short: []jsonShort{},
		}
		if s.Priced {
			j.Cost = of(s.Cost)
		}
		for _, b := range s.Buy {
			j.Buy = append(j.Buy, jsonBuy{figure.Mark(b.Length), b.Count, unless0(b.Price), b.Offcut, maybe(b.Label)})
		}
		for _, b := range s.Short {
			j.Short = append(j.Short, jsonShort{figure.Mark(b.Length), b.Count})
		}
		out.Sections = append(out.Sections, j)
	}
	t := p.Total
	out.Total = jsonTotal{
		Pieces: t.Pieces, Spares: t.Spares, Buy: t.Buy, Rack: t.Rack, Length: figure.Mark(t.Length), Waste: figure.Mark(t.Waste),
		WasteShare: figure.Mark(t.WastePercent()), Keep: []jsonKeep{},
	}
	if t.Priced {
		out.Total.Cost = of(t.Cost)
	}
	for _, k := range t.Keep {
		out.Total.Keep = append(out.Total.Keep, jsonKeep{k.Section, figure.Mark(k.Length), k.Count})
	}
	for i := range p.Bars {
		out.Bars = append(out.Bars, p.Bars[i].json())
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(out)
}

func (b *Bar) json() jsonBar {
	j := jsonBar{
		Bar: b.Number, Section: b.Section, Length: figure.Mark(b.Length), Price: unless0(b.Price), Rack: b.Offcut, Label: maybe(b.Label),
		Rest: figure.Mark(b.Rest), Waste: figure.Mark(b.Waste), Keep: unless0(b.Keep),
	}
	for _, c := range b.Cuts {
		j.Cuts = append(j.Cuts, jsonCut{
			Bay: string(c.Bay), Kind: c.Kind.String(), Piece: c.Piece, Setting: c.Setting, Stop: figure.Mark(c.StopMM), StopSide: c.Side.String(),
			BevelLow: figure.Mark(c.Low.Dial), BevelHigh: figure.Mark(c.High.Dial), LongPointLow: long(c.Low), LongPointHigh: long(c.High),
			From: figure.Mark(c.From), To: figure.Mark(c.To), Spare: c.Spare, CutToFit: c.ToFit,
		})
	}
	return j
}

func long(c cutting.Cut) *string { return maybe(longPoint(c)) }

func of(v float64) *figure.Mark { n := figure.Mark(v); return &n }

func unless0(v float64) *figure.Mark {
	if v == 0 {
		return nil
	}
	return of(v)
}

func maybe(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// codes of the sheets by bay.
func (p *Plan) codes() map[survey.Place]string {
	out := map[survey.Place]string{}
	for _, s := range p.Sheets {
		out[s.Bay] = s.Code
	}
	return out
}
