package exchange

import (
	"errors"
	"fmt"
	"html"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/layout/assembly"
	"halfsplit/references"
)

func demo(t testing.TB) (*netlist.Board, *references.Library) {
	t.Helper()
	b, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	lib, err := references.LoadLibrary("../../testdata/demo/known", b)
	if err != nil {
		t.Fatal(err)
	}
	return b, lib
}

// What is exported comes back the same: every reading, meter, date and state, also
// of a board that was read twice on one day. Only the file is another.
func TestRoundTrip(t *testing.T) {
	b, lib := demo(t)
	lib.Sweeps[0].By = "=cmd|calc" // a spreadsheet must not run it
	lib.Sweeps[1].By = "'quoted, \"twice\""
	lib.Sweeps[1].State.Celsius = -5
	before, after := references.Span{}, references.Span{Low: 0.012, High: 0.0305}
	lib.Sweeps[0].Supply = references.Supply{Before: &before, After: &after}
	lib.Sweeps[0].State.Unplugged = []string{"J3", "J7"}
	lib.Sweeps[0].Meter.OhmsOver = 40e6
	again := *lib.Sweeps[0]
	again.File = "again.yaml"
	lib.Sweeps = append(lib.Sweeps, &again)
	var text strings.Builder
	if err := WriteCSV(&text, lib.Sweeps); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(text.String(), ",=cmd") {
		t.Error("a formula stands in the table as it is")
	}
	got, unused, err := ReadCSV(strings.NewReader(text.String()), "x.csv", b, Options{})
	if err != nil {
		t.Fatal(err)
	}
	same := cmp.Options{
		cmpopts.IgnoreFields(references.Sweep{}, "File"), cmpopts.IgnoreFields(references.PointReading{}, "Line"),
	}
	if diff := cmp.Diff(lib.Sweeps, got, same); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if len(unused) > 0 {
		t.Errorf("columns %q were not read", unused)
	}
}

// What a table does not say is not written into the sweeps, and comes back unsaid.
func TestUnsaid(t *testing.T) {
	b, _ := demo(t)
	got, _, err := ReadCSV(strings.NewReader("point,reading,test_current\nJ7.2,0.452,0.5 mA\n"), "x.csv", b, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var file, csv strings.Builder
	if err := errors.Join(got[0].Write(&file), WriteCSV(&csv, got)); err != nil {
		t.Fatal(err)
	}
	if want := "board: Kestrel K3\nrevision: C\nmeter: {test_current: 0.5 mA}\nreadings:\n  J7.2: 0.452\n"; file.String() != want {
		t.Errorf("the sweep holds\n%s", file.String())
	}
	loaded, _, err := references.ReadSweep(strings.NewReader(file.String()), "x.yaml", b)
	if err != nil {
		t.Fatal(err)
	}
	again, _, err := ReadCSV(strings.NewReader(csv.String()), "y.csv", b, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []*references.Sweep{loaded, again[0]} {
		if diff := cmp.Diff(got[0], s, cmpopts.IgnoreFields(references.Sweep{}, "File"), cmpopts.IgnoreFields(references.PointReading{}, "Line")); diff != "" {
			t.Errorf("%s (-want +got):\n%s", s.File, diff)
		}
	}
}

// Tables as people keep them: a column for each board, other headings, millivolts,
// semicolons with decimal commas.
func TestForeignTables(t *testing.T) {
	b, _ := demo(t)
	type sweep struct{ Sample, Readings string }
	list := func(sweeps []*references.Sweep) (all []sweep) {
		for _, s := range sweeps {
			text := ""
			for _, r := range s.Readings {
				v := "OL"
				if !r.Reading.Overload {
					v = fmt.Sprintf("%.3f", r.Reading.Value)
				}
				text += r.Name + "=" + v + " "
			}
			all = append(all, sweep{s.Sample, strings.TrimSpace(text)})
		}
		return all
	}
	tests := []struct {
		name, text string
		options    Options
		want       []sweep
	}{
		{"a column for each board", "Pin,Remark,Board 1,Board 2\nJ7.2,,452,OL\nJ7.3,see note,519.6,\n,only a remark,,\n",
			Options{Columns: map[string]string{"reading:1": "Board 1", "reading:2": "board 2"}, Unit: "mV"},
			[]sweep{{"1", "J7.2=0.452 J7.3=0.520"}, {"2", "J7.2=OL"}}},
		{"semicolons", "Pin;Volts;Serial\r\nJ7.2;0,452;7\r\nJ7.3;0,519;7\r\n", Options{}, []sweep{{"7", "J7.2=0.452 J7.3=0.519"}}},
		{"a column of units", "point,reading,unit\nJ7.2,452.0,mV\nJ7.3,1,V\nJ7.4,OL,V\nJ7.5,371,\n", Options{}, []sweep{{"", "J7.2=0.452 J7.3=1.000 J7.4=OL J7.5=0.371"}}},
		{"decimal commas everywhere", "point;reading;temperature;test_current;accuracy\nJ7.2;0,452;23,5;0,3 mA;0,5 % + 2\n", Options{}, []sweep{{"", "J7.2=0.452"}}},
		{"bare pins, dashes, dates", "Pin,Volts,Date,Plug\n2,0.452,02.08.2026,J7\n3,---,02.08.2026,J7\nTP14,0.4,02.08.2026,J7\n", Options{}, []sweep{{"", "J7.2=0.452 TP14=0.400"}}},
		{"volts without a point", "point,reading\nJ7.2,0.452\nJ7.3,1\n", Options{Unit: "V"}, []sweep{{"", "J7.2=0.452 J7.3=1.000"}}},
		{"values for all rows", "point,reading\nTP_INT,0.452\n", Options{Values: map[string]string{"sample": "9", "test_current": "0.5 mA"}}, []sweep{{"9", "TP_INT=0.452"}}},
	}
	for _, test := range tests {
		got, _, err := ReadCSV(strings.NewReader(test.text), "x.csv", b, test.options)
		if err != nil {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		if test.name == "values for all rows" && got[0].Meter.TestCurrent != 0.5e-3 {
			t.Errorf("%s: %g A", test.name, got[0].Meter.TestCurrent)
		}
		if test.name == "decimal commas everywhere" && (got[0].Meter.TestCurrent != 0.3e-3 || got[0].State.Celsius != 23.5 || got[0].Meter.Gain != 0.005) {
			t.Errorf("%s: %+v at %g C", test.name, got[0].Meter, got[0].State.Celsius)
		}
		if diff := cmp.Diff(test.want, list(got)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.name, diff)
		}
	}
}

func TestBrokenTables(t *testing.T) {
	b, _ := demo(t)
	tests := []struct {
		text    string
		options Options
		want    string
	}{
		{"", Options{}, "x.csv: holds nothing; begin it with a line of headings"},
		{"point,reading\n", Options{}, "x.csv: holds no reading"},
		{"a,b\nJ7.2,0.4\n", Options{}, "x.csv:1:1: no column holds the points"},
		{"point,b\nJ7.2,0.4\n", Options{}, "x.csv:1:1: no column holds the readings"},
		{"point,reading\nJ7.99,0.4\n", Options{}, "x.csv:2:1: J7 has no pin `99`"},
		{"point,reading\nJ7.2,0.4x\n", Options{}, "x.csv:2:6: "},
		{"point,reading\nJ7.2,0.4\nJ7.3,1\n", Options{}, "x.csv:3:6: a lone `1` among readings with a decimal point would be a millivolt, and is OL on the display of many meters; write OL"},
		{"point,reading\n2,0.4\n", Options{}, "x.csv:2:1: `2` is not a point of this board; name its connector, in a column of its own or with --value connector=J7"},
		{"point,reading\n99,0.4\n", Options{Values: map[string]string{"connector": "J7"}}, "x.csv:2:1: J7 has no pin `99`"},
		{"point,reading,battery\nJ7.2,0.4,in\n", Options{}, "x.csv:2:10: a battery conducts"},
		{"point,reading\nJ7.2,22 ohm\n", Options{}, "x.csv:2:6: `22 ohm` is a resistance"},
		{"point,reading,sample\nJ7.2,0.4,\"a\nb\"\n", Options{}, "x.csv:2:10: `a\\nb` holds the character U+000A"},
		{"point,reading,by\nJ7.2,0.4,\x1b[31mred\n", Options{}, "x.csv:2:10: `\\u001b[31mred` holds the character U+001B"},
		{"point,reading\nJ7.2,0.4\n", Options{Columns: map[string]string{"reading:": "reading"}}, "x.csv: `reading:` names no sample"},
		{"point,reading,unit\nJ7.2,0.4,kV\n", Options{}, "x.csv:2:10: readings cannot be in `kV`; write V or mV"},
		{"point,reading,unplugged\nJ7.2,0.4,J9\n", Options{}, "x.csv:2:10: no connector `J9`"},
		{"point,reading,supply_after\nJ7.2,0.4,much\n", Options{}, "x.csv:2:10: "},
		{"point,reading\nJ7.2,2.5\n", Options{}, "x.csv:2:6: `2.5` is above 2 V"},
		{"point,reading\nJ7.2,0.4\nJ7.2,0.5\n", Options{}, "x.csv:3:6: `J7.2` is read twice in one sweep"},
		{"point,reading\nJ7.2,0.4,7\n", Options{}, "x.csv:2:10: a field too many"},
		{"point,reading\n,0.4\n", Options{}, "x.csv:2:2: a reading without its point"},
		{"ärger,point,reading\nößü,J7.2,x\n", Options{}, "x.csv:2:10: "},
		{"point,reading,taken\nJ7.2,0.4,yesterday\n", Options{}, "x.csv:2:10: `yesterday` is not a date"},
		{"point,reading,polarity\nJ7.2,0.4,up\n", Options{}, "x.csv:2:10: `up` is not a polarity"},
		{"point,reading,temperature\nJ7.2,0.4,900\n", Options{}, "x.csv:2:10: \"900\" is 900 C, which no board has"},
		{"point,reading,battery\nJ7.2,0.4,half\n", Options{}, "x.csv:2:10: `half` does not say"},
		{"point,reading,test_current\nJ7.2,0.4,5 A\n", Options{}, "x.csv:2:10: `test_current`: `5 A` is not between"},
		{"point,reading,revision\nJ7.2,0.4,B\n", Options{}, "x.csv:2:10: taken on revision `B`, not on `C`"},
		{"point,reading\nJ7.2,0.4\n", Options{Columns: map[string]string{"point": "Pinn"}}, "x.csv:1:1: no heading is `Pinn`"},
		{"point,reading\nJ7.2,0.4\n", Options{Columns: map[string]string{"pont": "point"}}, "x.csv: there is no key `pont` for a column; did you mean `point`?"},
		{"point,reading\nJ7.2,0.4\n", Options{Values: map[string]string{"sampel": "1"}}, "x.csv: there is no key `sampel` for a value; did you mean `sample`?"},
		{"point,reading\nJ7.2,0.4\n", Options{Unit: "kV"}, "x.csv: readings cannot be in `kV`"},
		{"point,reading\nJ7.2,\"0.4\n", Options{}, "x.csv:"},
		{"point\x00,reading\n", Options{}, "x.csv: is not text in UTF-8"},
	}
	for _, test := range tests {
		sweeps, _, err := ReadCSV(strings.NewReader(test.text), "x.csv", b, test.options)
		var problems document.Problems
		if !errors.As(err, &problems) || !strings.HasPrefix(err.Error(), test.want) {
			t.Errorf("%q: %v %v, want %s", test.text, sweeps, err, test.want)
		}
	}
}

// The sheet has every pin with its net and readings, needs nothing from outside,
// and shows foreign text as text.
func TestSheet(t *testing.T) {
	b, lib := demo(t)
	drawn, err := assembly.Load(b)
	if err != nil {
		t.Fatal(err)
	}
	evil := *b
	evil.Name = `<script>alert(1)</script>`
	evil.Connectors = append([]netlist.Connector(nil), b.Connectors...)
	evil.Connectors[0].Title = `"><img src=x onerror=alert(1)>`
	for c := range b.Connectors {
		var text strings.Builder
		if err := WriteSheet(&text, &evil, lib, netlist.ConnectorID(c), drawn); err != nil {
			t.Fatal(err)
		}
		page := text.String()
		for _, pin := range b.Connectors[c].Pins {
			if !strings.Contains(page, ">"+pin.Name+"</text>") {
				t.Errorf("pin %s is not drawn", pin.Name)
			}
			if pin.Net != netlist.None && !strings.Contains(page, html.EscapeString(b.Nets[pin.Net].Name)) {
				t.Errorf("net %s is not named", b.Nets[pin.Net].Name)
			}
		}
		if strings.Count(page, `class="assembly"`) != 1 {
			t.Errorf("%s: where the connector is is not drawn", b.Connectors[c].Name)
		}
		if strings.Contains(page, "<script") || strings.Contains(page, "<img") {
			t.Error("foreign text runs in the page")
		}
		const policy = `content="default-src 'none'; style-src 'unsafe-inline'"`
		if !strings.Contains(page, policy) {
			t.Error("the page may fetch and run what it likes")
		}
		page = strings.Replace(page, policy, "", 1)
		if found := regexp.MustCompile(`(?i)(src|href|url|@import|https?:)[=( ]`).FindString(strings.ReplaceAll(page, "src=x", "")); found != "" {
			t.Errorf("the page asks for something: %q", found)
		}
	}
	var text strings.Builder
	if err := WriteSheet(&text, b, lib, 0, nil); err != nil {
		t.Fatal(err)
	}
	golden := filepath.Join("testdata", "J7.html")
	if os.Getenv("UPDATE") != "" {
		if err := os.WriteFile(golden, []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), text.String()); diff != "" {
		t.Errorf("%s, made with UPDATE=1 (-want +got):\n%s", golden, diff)
	}
}

// A table is refused with its place, or its sweeps can be written, exported and
// read again.
func FuzzReadCSV(f *testing.F) {
	b, _ := demo(f)
	f.Add("point,reading,sample,taken,polarity,test_current\nJ7.2,0.452,1,2026-08-02,black-on-ground,0.3 mA\nJ7.3,OL,1,2026-08-02,black-on-ground,0.3 mA\n")
	f.Add("Pin;Volts;by\r\nJ7.2;0,452;'=1\r\n")
	f.Add("point,reading,sample,by\nJ7.2,0.4,\"a\nb\",\x1b[31m\n")
	f.Add("point\treading\n\"J7\n.2\"\t1\n")
	f.Fuzz(func(t *testing.T, text string) {
		sweeps, _, err := ReadCSV(strings.NewReader(text), "x.csv", b, Options{})
		if err != nil {
			var problems document.Problems
			if !errors.As(err, &problems) {
				t.Fatalf("no problems: %v", err)
			}
			return
		}
		var out strings.Builder
		if err := WriteCSV(&out, sweeps); err != nil {
			t.Fatal(err)
		}
		for i, s := range sweeps {
			file := filepath.Join(t.TempDir(), fmt.Sprint(i))
			var text strings.Builder
			if err := errors.Join(s.Write(&text), os.WriteFile(file, []byte(text.String()), 0o666)); err != nil {
				t.Fatal(err)
			}
			if _, err := references.LoadSweep(file, b); err != nil {
				t.Fatalf("%v\n%s", err, text.String())
			}
		}
		again, _, err := ReadCSV(strings.NewReader(out.String()), "y.csv", b, Options{})
		if err != nil {
			t.Fatalf("%v\n%s", err, out.String())
		}
		readings := 0
		for _, s := range again {
			readings += len(s.Readings)
		}
		for _, s := range sweeps {
			readings -= len(s.Readings)
		}
		if readings != 0 {
			t.Fatalf("%d readings more after a round trip:\n%s", readings, out.String())
		}
	})
}
