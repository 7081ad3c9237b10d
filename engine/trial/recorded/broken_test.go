package recorded

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
)

// What is wrong with a file is said with its line and what to do.
func TestBrokenTrials(t *testing.T) {
	const head = "board\tx\npins\tP1.2\tP1.3\ntype\t1\t7\n"
	b, err := netlist.Load("../../../testdata/boards/sensor12.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct{ text, want string }{
		{"pins\tP1.2\n", "f:1: `pins` before the board"},
		{"board\tx\nboard\tx\n", "f:2: a second board"},
		{"board\n", "f:1: the line is too short"},
		{"board\tx\npins\tP1.99\n", "f:2: P1 has no pin `99`; did you mean `9`?"},
		{head + "type\t3\t7\n", "f:4: type 3 is out of turn"},
		{head + "type\t2\tseven\n", "f:4: `seven` is not a whole number"},
		{head + "sweep\t2\t1\tbench 2\t1\t22\t22\tred-on-ground\t1\t2\n", "f:4: no type 2"},
		{head + "sweep\t1\t1\tbench 9\t1\t22\t22\tred-on-ground\t1\t2\n", "f:4: no meter is called \"bench 9\"; the meters are \"bench 2\", \"bench 5\" and \"pocket\""},
		{head + "sweep\t1\t1\tbench 2\t1\t99\t22\tred-on-ground\t1\t2\n", "f:4: `99` is not a number from -40 to 85"},
		{head + "sweep\t1\t1\tbench 2\t1\t22\t22\tred\t1\t2\n", "f:4: `red` is not a polarity"},
		{head + "sweep\t1\t1\tbench 2\t1\t22\t22\tred-on-ground\t1\n", "f:4: 1 voltages for 2 pins"},
		{head + "sweep\t1\t1\tbench 2\t1\t22\t22\tred-on-ground\t1\tNaN\n", "f:4: `NaN` is not a number from -1e+06 to 1e+06"},
		{head + "trial\t1\tfun\t1\t1\t9\tbench 2\t1\t23\n", "f:4: `fun` is neither tuning nor reporting"},
		{head + "trial\t1\ttuning\t1\t1\t9\tbench 2\t1\t23\tC1 1-2\tbent\t1\n", "f:4: nothing can be `bent` at `C1 1-2`"},
		{head + "trial\t1\ttuning\t1\t1\t9\tbench 2\t1\t23\tC1 1-2\tshorted\n", "f:4: the line is too short"},
		{head + "read\tred-on-ground\t1\t2\n", "f:4: `read` before any trial"},
		{head + "stop\n", "f:4: `stop` is not a kind of line"},
		{head + strings.Repeat("x", 100000) + "\n", "f:4: bufio.Scanner: token too long"},
	} {
		_, err := readTrials(strings.NewReader(test.text), "f", func(string) (*netlist.Board, error) { return b, nil })
		got := ""
		if err != nil {
			got = err.Error()
		}
		want := test.want
		if !strings.Contains(want, "; ") {
			want += "; make the file again, see DEVELOPERS.md"
		}
		if got != want {
			t.Errorf("%.60q:\n got %s\nwant %s", test.text, got, want)
		}
	}
}

func TestBrokenDemos(t *testing.T) {
	dir := t.TempDir()
	board, err := os.ReadFile("../../../testdata/boards/sensor12.yaml")
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "board.yaml"), board)
	path := filepath.Join(dir, "truth.yaml")
	const aCase = "board: board.yaml\ntruth: 1\nknown: []\ncases:\n  - {file: a.yaml, about: x, complaint: x, remedy: x, sample: 1, meter: bench 2, celsius: 23, sweep: [P1]"
	for _, test := range []struct{ text, want string }{
		{"board: board.yaml\ntruth: x\nknown: []\ncases: []\n", "truth.yaml: yaml: unmarshal errors:\n  line 2: cannot unmarshal !!str `x` into uint64"},
		{aCase + ", inspect: [C99]}\n", "truth.yaml: no part `C99` on this board; did you mean `C9`?"},
		{aCase + ", look: [C9]}\n", "truth.yaml: yaml: unmarshal errors:\n  line 5: field look not found in type recorded.demoCaseFile"},
		{aCase + ", faults: [{at: C1 1-2, mode: short}]}\n", "truth.yaml: `short` is not a mode; did you mean `shorted`?"},
		{aCase + ", faults: [{at: C1 1-9, mode: shorted}]}\n", "truth.yaml: nothing on board Wren T2 can be shorted at \"C1 1-9\"; name a place and a mode as trials do"},
	} {
		write(t, path, []byte(test.text))
		_, err := LoadDemo(path)
		got := ""
		if err != nil {
			got = strings.TrimPrefix(err.Error(), dir+string(filepath.Separator))
		}
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("%.60q: (-want +got)\n%s", test.text, diff)
		}
	}
}
