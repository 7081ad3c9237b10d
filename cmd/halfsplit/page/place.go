package page

import (
	"html/template"

	"halfsplit/netlist"
	"halfsplit/netlist/layout"
	"halfsplit/netlist/layout/assembly"
)

// place draws where on the board the faulty part is, or what the next step is at.
func (b *builder) place(drawn *layout.Board) {
	if drawn == nil {
		return
	}
	var names []string
	if end, closed := b.c.Closed(); closed {
		if end.Part != netlist.None {
			names = append(names, b.b.Parts[end.Part].Name)
		}
	} else if len(b.d.Next) > 0 {
		names = append(names, b.d.Next[0].At, b.d.Next[0].Part)
	}
	for _, at := range names {
		mark, err := assembly.Find(b.b, drawn, at)
		if err != nil {
			continue // a whole net, or not in the layout
		}
		picture := assembly.Draw(b.b, drawn, mark)
		b.r.Place = &drawing{Title: picture.Title, Note: picture.Note, SVG: template.HTML(picture.SVG)} // #nosec: every text in it is escaped
		return
	}
}
