package main

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"os"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"unsafe"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// openTerminal makes a pseudo-terminal of a width: the end of the person, and the end
// of the program.
func openTerminal(t *testing.T, columns int) (person, program *os.File) {
	t.Helper()
	person, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Skip("this machine has no pseudo-terminals: ", err)
	}
	t.Cleanup(func() { person.Close() })
	raw, err := person.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	control := func(request uintptr, at unsafe.Pointer) {
		raw.Control(func(fd uintptr) {
			if _, _, wrong := syscall.Syscall(syscall.SYS_IOCTL, fd, request, uintptr(at)); wrong != 0 {
				t.Fatal(wrong)
			}
		})
	}
	var number, lock int32
	control(syscall.TIOCGPTN, unsafe.Pointer(&number))
	control(syscall.TIOCSPTLCK, unsafe.Pointer(&lock))
	size := struct{ rows, columns, x, y uint16 }{24, uint16(columns), 0, 0}
	control(syscall.TIOCSWINSZ, unsafe.Pointer(&size))
	program, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { program.Close() })
	return person, program
}

// onScreen is what stands on a terminal after what was written to it: the cursor goes up
// and erases whole lines, and nothing else moves.
func onScreen(text string) []string {
	lines, at := []string{""}, 0
	for _, piece := range regexp.MustCompile(`\x1b\[[0-9;]*[A-Za-z]|\n|[^\n\x1b]+`).FindAllString(text, -1) {
		switch {
		case piece == "\n":
			if at++; at == len(lines) {
				lines = append(lines, "")
			}
		case piece == "\x1b[A":
			at--
		case piece == "\x1b[K":
			lines[at] = ""
		case piece[0] != '\x1b':
			lines[at] += strings.Trim(piece, "\r\a")
		}
	}
	return lines
}

// onTerminal runs the program on a terminal of a width. Each time that it asks, what it
// wrote so far is answered with a line. What it wrote is returned as it stands on the
// screen.
func onTerminal(t *testing.T, columns int, answer func(screen string) string, args ...string) []string {
	t.Helper()
	person, program := openTerminal(t, columns)
	done := make(chan string)
	go func() {
		all, piece := "", make([]byte, 4096)
		for {
			n, err := person.Read(piece) // fails when the program's end is closed
			if all += string(piece[:n]); err != nil {
				done <- all
				return
			}
			if plain := regexp.MustCompile(`\x1b\[[0-9;]*m`).ReplaceAllString(all, ""); strings.HasSuffix(plain, " > ") {
				fmt.Fprintln(person, answer(strings.NewReplacer("\r", "", "\a", "").Replace(plain)))
			}
		}
	}()
	var errs bytes.Buffer
	if code := run(args, program, program, &errs); code != exitDone || errs.Len() > 0 {
		t.Errorf("exit %d, %s", code, errs.String())
	}
	program.Close()
	return onScreen(<-done)
}

// TestTerminal sweeps a connector of 12 pins on a terminal of 60 columns: the width is
// the terminal's, every pin has one line, and the answer to a question is the last thing
// on the screen.
func TestTerminal(t *testing.T) {
	demoFolder(t)
	entries := append([]string{"y", "sweep J7"}, strings.Fields("0.001 OL OL 0.562 0.700 0.700 OL 0.564 0.623 0.525 OL 0.570 o q")...)
	answer := func(string) (entry string) {
		entry, entries = entries[0], entries[1:]
		return entry
	}
	lines := onTerminal(t, 60, answer, "bench", "t.yaml", "--board", "board.yaml", "--known", "known")
	pins := map[string]int{}
	for _, line := range lines {
		if n := cells(line); n > 60 && !strings.Contains(line, " > ") {
			t.Errorf("%d columns: %q", n, line)
		}
		if m := regexp.MustCompile(`^(J7\.\d+) .*(agrees|open)`).FindStringSubmatch(line); m != nil {
			pins[m[1]]++
		}
	}
	text := strings.Join(lines, "\n")
	if len(pins) != 11 || pins["J7.3"] != 2 {
		t.Errorf("lines of pins: %v, want 11 pins, one line each and two of J7.3\n%s", pins, text)
	}
	if n := strings.Count(text, "J7 touch panel\n"); n != 1 {
		t.Errorf("the connector is drawn %d times\n%s", n, text)
	}
	at := strings.Index(text, "to a repair\n")
	if at < 0 || strings.Count(text[at:], "\n") > 20 || strings.Contains(text[at:], "NEXT") {
		t.Errorf("the steps do not stand at the end:\n%s", text)
	}
}

// typedReadings are those of a good board at J3, as somebody types them: millivolts need
// no point, and a lone 1 might be the display's overload.
func typedReadings(t *testing.T) map[string]string {
	t.Helper()
	b, err := netlist.Load("board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	sweep, err := references.LoadSweep("known/k3-011.yaml", b)
	if err != nil {
		t.Fatal(err)
	}
	good := map[string]string{}
	for _, r := range sweep.Readings {
		text := quantity.FormatReading(r.Reading)
		if !r.Reading.Overload {
			text = fmt.Sprintf("%.0f", 1000*math.Max(r.Reading.Value, 0))
		}
		if text == "1" {
			text = ".001"
		}
		good[r.Name] = text
	}
	return good
}

// askedPin is a prompt for a pin of J3.
var askedPin = regexp.MustCompile(`(?:^|\n)(J3\.\d+) [^\n]* > $`)

// TestThirtyReadings takes the readings of a connector of 34 pins from a meter, from a
// file, by the keypad of the page and at a terminal, counts the keystrokes of each, and
// finds every reading at its own pin.
func TestThirtyReadings(t *testing.T) {
	demoFolder(t)
	good := typedReadings(t)
	board, err := netlist.Load("board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	id, err := board.ConnectorByName("J3")
	if err != nil {
		t.Fatal(err)
	}
	begin := "open: {board: board.yaml, known: known}\n---\nacknowledge: [battery out, capacitors discharged, boosted rails discharged, lithium cells, rules first]\n---\nread: {J3.1: 0}\n"
	finish := func(how string, keys int) {
		t.Helper()
		pins := 0
		for _, text := range readingsOf(t, how+".yaml")[1:] {
			pin, value, _ := strings.Cut(text, " ")
			want, err := quantity.ParseReading(good[pin])
			if err != nil || value != quantity.FormatReading(want) {
				t.Errorf("%s: %s has %s, want %s, %v", how, pin, value, good[pin], err)
			}
			pins++
		}
		t.Logf("%s: %d readings, %d keystrokes", how, pins, keys)
		if pins < 23 {
			t.Errorf("%s: %d readings, want 23 at least", how, pins)
		}
	}
	write := func(file, text string) {
		t.Helper()
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	var file, meter strings.Builder
	for _, pin := range board.Connectors[id].Pins[1:] {
		fmt.Fprintln(&file, good["J3."+pin.Name])
	}
	for _, row := range board.Connectors[id].PinRows() {
		for _, i := range row {
			if pin := board.Connectors[id].Pins[i]; pin.Net != board.Ground {
				fmt.Fprintln(&meter, good["J3."+pin.Name])
			}
		}
	}
	for _, how := range []string{"meter", "file", "keypad", "terminal"} {
		write(how+".yaml", begin)
	}
	write("meter.txt", meter.String())
	play(t, "", "bench", "meter.yaml", "--meter-device", "meter.txt")
	finish("meter", 0)
	play(t, file.String(), "bench", "file.yaml")
	finish("file", 0)

	keys := 0
	s := startPage(t, "keypad.yaml")
	pin := regexp.MustCompile(`<strong>(J3\.\d+)</strong>`)
	for range 40 {
		m := pin.FindStringSubmatch(s.shown["next"])
		if m == nil || !strings.Contains(s.shown["next"], "of J3") {
			break
		}
		entry := good[m[1]]
		if keys++; entry != "OL" { // which has a key of its own
			keys += len(entry)
		}
		if entered, says, err := s.enter(entry); err != nil || !entered {
			t.Fatalf("%s: %v %s", m[1], err, says)
		}
		s.wait()
	}
	s.cmd.Process.Kill()
	s.cmd.Wait()
	finish("keypad", keys)

	keys = 0
	onTerminal(t, 80, func(screen string) string {
		m := askedPin.FindStringSubmatch(screen)
		if m == nil || !strings.Contains(screen[strings.LastIndex(screen, "\n")+1:], " of ") {
			return "q"
		}
		keys += len(good[m[1]]) + 1
		return good[m[1]]
	}, "bench", "terminal.yaml")
	finish("terminal", keys)
}

// TestFirstMinutes goes from a layout and nothing else to a located part, as somebody
// types it at a terminal: a draft of the board, the 34 pins of its connector on a good
// board and on a dead one, with C55 shorted (22 mV through the 22 ohm before it, by
// Ohm's law). It counts what was typed.
func TestFirstMinutes(t *testing.T) {
	demoFolder(t)
	good := typedReadings(t)
	dead := maps.Clone(good)
	dead["J3.14"] = "22"
	lines, keys := 0, 0
	sit := func(read map[string]string, command string) {
		t.Helper()
		lines, keys = lines+1, keys+len("halfsplit ")+len(command)+1
		onTerminal(t, 80, func(screen string) string {
			entry := "q"
			switch m := askedPin.FindStringSubmatch(screen); {
			case m != nil:
				entry = read[m[1]]
			case strings.HasSuffix(screen, "Enter takes J3 > "), strings.HasSuffix(screen, "y (that is all) > "):
				entry = ""
			case strings.Contains(screen, "event 3"): // it goes on behind the sweep
			case strings.HasSuffix(screen, "y (read, and done so) > "):
				entry = "y"
			}
			if lines, keys = lines+1, keys+len(entry)+1; lines > 200 { // it asks in circles
				return "q"
			}
			return entry
		}, strings.Fields(command)...)
	}
	if _, errs, code := play(t, "", "draft", "board.kicad_pcb", "--connector", "J3", "--to", "mine.yaml"); code != exitDone {
		t.Fatal(errs)
	}
	lines, keys = 1, len("halfsplit draft board.kicad_pcb --connector J3 --to mine.yaml\n")
	sit(good, "known take mine.yaml J3 --to good --sample 01")
	sit(dead, "bench dead.yaml --board mine.yaml --known good")
	out, errs, code := play(t, "", "locate", "dead.yaml")
	if code != exitDone || errs != "" || !strings.Contains(out, "\n  1  C55 ") {
		t.Errorf("exit %d, %s\n%s", code, errs, out)
	}
	t.Logf("%d lines, %d keys", lines, keys)
	if lines > 60 {
		t.Errorf("%d lines typed, want at most 60", lines)
	}
}
