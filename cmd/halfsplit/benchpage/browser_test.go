//go:build unix

package benchpage_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode"

	"halfsplit/engine/journal"
)

// browser is Chromium, driven through its debugging pipe, so that the page runs as it
// is: with its own policy, and with keys pressed as a person presses them.
type browser struct {
	t        *testing.T
	to       *os.File
	messages chan message
	id       int
	session  string
	console  []string // errors
}

type message struct {
	ID            int
	Method        string
	Params        json.RawMessage
	Result, Error json.RawMessage
}

func startBrowser(t *testing.T) *browser {
	t.Helper()
	theirs, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	from, back, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--user-data-dir="+t.TempDir(), "--remote-debugging-pipe")
	cmd.ExtraFiles = []*os.File{theirs, back}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	theirs.Close()
	back.Close()
	b := &browser{t: t, to: to, messages: make(chan message, 1000)}
	go func() {
		defer close(b.messages)
		in := bufio.NewReader(from)
		for {
			text, err := in.ReadBytes(0)
			if err != nil {
				return
			}
			var m message
			if json.Unmarshal(text[:len(text)-1], &m) == nil {
				b.messages <- m
			}
		}
	}()
	t.Cleanup(func() {
		b.send("", "Browser.close", nil)
		gone := time.AfterFunc(10*time.Second, func() { cmd.Process.Kill() })
		cmd.Wait()
		gone.Stop()
		to.Close()
	})
	var target struct{ TargetID string }
	b.call("", "Target.createTarget", map[string]any{"url": "about:blank"}, &target)
	var attached struct{ SessionID string }
	b.call("", "Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &attached)
	b.session = attached.SessionID
	for _, domain := range []string{"Page", "Runtime", "Log"} {
		b.do(domain+".enable", nil)
	}
	b.do("Emulation.setScrollbarsHidden", map[string]any{"hidden": true}) // as on a tablet; pictures are of the whole width
	return b
}

func (b *browser) send(session, method string, params any) {
	b.id++
	m := map[string]any{"id": b.id, "method": method}
	if params != nil {
		m["params"] = params
	}
	if session != "" {
		m["sessionId"] = session
	}
	text, err := json.Marshal(m)
	if err == nil {
		_, err = b.to.Write(append(text, 0))
	}
	if err != nil {
		b.t.Error(err)
	}
}

func (b *browser) call(session, method string, params, result any) {
	b.t.Helper()
	b.send(session, method, params)
	late := time.After(60 * time.Second)
	for {
		select {
		case m, ok := <-b.messages:
			if !ok {
				b.t.Fatalf("%s: the browser has gone", method)
			}
			switch m.Method {
			case "Runtime.exceptionThrown":
				b.console = append(b.console, string(m.Params))
			case "Log.entryAdded":
				if strings.Contains(string(m.Params), `"level":"error"`) {
					b.console = append(b.console, string(m.Params))
				}
			}
			if m.ID != b.id {
				continue
			}
			if m.Error != nil {
				b.t.Fatalf("%s: %s", method, m.Error)
			}
			if result != nil {
				if err := json.Unmarshal(m.Result, result); err != nil {
					b.t.Fatal(err)
				}
			}
			return
		case <-late:
			b.t.Fatalf("%s: no answer", method)
		}
	}
}

func (b *browser) do(method string, params any) {
	b.t.Helper()
	b.call(b.session, method, params, nil)
}

// eval runs a script in the page and gives its value.
func (b *browser) eval(script string, value any) {
	b.t.Helper()
	var r struct {
		Result           struct{ Value json.RawMessage }
		ExceptionDetails json.RawMessage
	}
	b.call(b.session, "Runtime.evaluate", map[string]any{"expression": script, "awaitPromise": true, "returnByValue": true}, &r)
	if r.ExceptionDetails != nil {
		b.t.Fatalf("%s\nin %s", r.ExceptionDetails, script)
	}
	if value != nil {
		if err := json.Unmarshal(r.Result.Value, value); err != nil {
			b.t.Fatalf("%v: %s", err, r.Result.Value)
		}
	}
}

// until waits for a script to give true.
func (b *browser) until(script string) {
	b.t.Helper()
	ok := false
	for begun := time.Now(); !ok; time.Sleep(20 * time.Millisecond) {
		if b.eval(script, &ok); time.Since(begun) > 40*time.Second {
			shown := ""
			b.eval(`document.body.innerText`, &shown)
			b.t.Fatalf("never: %s\n%s", script, shown)
		}
	}
}

// key presses and releases a key; text is what it types, "" for none.
func (b *browser) key(name, text string, code int) {
	b.t.Helper()
	down := map[string]any{"type": "keyDown", "key": name, "code": name, "windowsVirtualKeyCode": code}
	if text != "" {
		down["text"] = text
	}
	b.do("Input.dispatchKeyEvent", down)
	b.do("Input.dispatchKeyEvent", map[string]any{"type": "keyUp", "key": name, "code": name, "windowsVirtualKeyCode": code})
}

func (b *browser) size(width, height int) {
	b.t.Helper()
	b.do("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false})
}

// visit opens the page of a session and waits until it is connected.
func (b *browser) visit(url string) {
	b.t.Helper()
	b.do("Page.navigate", map[string]any{"url": url})
	b.until(`document.readyState === "complete" && typeof version !== "undefined" && version !== "" && document.getElementById("link").textContent.includes("● connected")`)
}

// touch enters a line as a finger does: by the key of the page that says it, else digit
// by digit, else in words.
const touch = `(line => {
  const number = line.match(/^(-?[\d.]+)( mA)?$/);
  const press = s => { const b = document.querySelector(s); if (!b) throw new Error("no key " + s); b.click(); };
  const offered = [...document.querySelectorAll("#next button, #connector button, .keys button")].find(b => b.dataset.entry === line);
  if (offered) offered.click();
  else if (number) { for (const c of number[1]) press('.keys [data-key="' + c + '"]'); press(".keys .main"); }
  else { document.getElementById("text").value = line; press("#words button"); }
})(%q)`

// play enters the lines of a session; what stands between is done after each.
func (b *browser) play(entries string, enter func(line string), between func(n int)) {
	b.t.Helper()
	n := 0
	for line := range strings.Lines(entries) {
		if line = strings.TrimSpace(line); strings.HasPrefix(line, "#") || line == "" {
			continue
		}
		before := ""
		b.eval(`version`, &before)
		enter(line)
		b.until(fmt.Sprintf(`version !== %q && pending === null`, before))
		problem := ""
		if b.eval(`document.getElementById("problem").textContent`, &problem); problem != "" {
			b.t.Fatalf("%q: %s", line, problem)
		}
		n++
		between(n)
	}
}

// seen is what a script measures on the page.
type seen struct {
	Wide, Window, Texts, Targets int
	Contrast                     float64 // the least
	Text                         string  // that has it
	Small                        []string
	Bare                         []string
}

const look = `(() => {
  const rgb = c => { const m = c.match(/[\d.]+/g).map(Number); return m.length < 4 || m[3] > 0 ? m.slice(0, 3) : null };
  const lum = c => { const [r, g, b] = c.map(v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4 }); return 0.2126 * r + 0.7152 * g + 0.0722 * b };
  const ratio = (a, b) => { const x = lum(a), y = lum(b); return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05) };
  const shown = e => e.checkVisibility() && e.getBoundingClientRect().width > 0;
  const r = { Wide: document.documentElement.scrollWidth, Window: innerWidth, Texts: 0, Targets: 0, Contrast: 99, Text: "", Small: [], Bare: [] };
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const e = n.parentElement;
    if (!n.textContent.trim() || !shown(e) || e.matches("option")) continue;
    const s = getComputedStyle(e);
    let back = null;
    for (let p = e; p && !back; p = p.parentElement) back = rgb(getComputedStyle(p).backgroundColor);
    const k = ratio(rgb(e.closest("svg") ? s.fill : s.color), back || [255, 255, 255]);
    r.Texts++;
    if (k < r.Contrast) { r.Contrast = k; r.Text = n.textContent.trim().slice(0, 40) }
  }
  for (const e of document.querySelectorAll("button, input, select, a")) {
    if (!shown(e)) continue;
    const box = e.getBoundingClientRect();
    r.Targets++;
    if (box.width < 44 || box.height < 44) r.Small.push((e.textContent || e.id).trim().slice(0, 30) + " " + Math.round(box.width) + "x" + Math.round(box.height));
  }
  for (const e of document.querySelectorAll(".good, .bad, .off, .work"))
    if (shown(e) && e.textContent.trim() && !e.matches("button") && !/^[•●○▲▼►■✓✕?]/.test(e.textContent.trim())) r.Bare.push(e.textContent.trim().slice(0, 40));
  return r;
})()`

// check measures the page at three widths, light and dark, and keeps pictures.
func (b *browser) check(name string) {
	b.t.Helper()
	for _, width := range []int{360, 768, 1280} {
		b.size(width, 1024)
		for _, scheme := range []string{"light", "dark"} {
			b.do("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}}})
			var s seen
			b.eval(look, &s)
			where := fmt.Sprintf("%s at %d px, %s", name, width, scheme)
			b.t.Logf("%s: %d texts, least contrast %.2f (%q), %d targets", where, s.Texts, s.Contrast, s.Text, s.Targets)
			switch {
			case s.Window != width || s.Texts < 30 || s.Targets < 20:
				b.t.Errorf("%s: measured %d texts and %d targets in %d px", where, s.Texts, s.Targets, s.Window)
			case s.Wide > width:
				b.t.Errorf("%s: scrolls sideways, to %d px", where, s.Wide)
			case s.Contrast < 4.5: // WCAG 2.2, 1.4.3
				b.t.Errorf("%s: %q stands out by %.2f to 1, want 4.5", where, s.Text, s.Contrast)
			}
			if len(s.Small) > 0 { // the 44 px of WCAG 2.2, 2.5.5
				b.t.Errorf("%s: smaller than 44 px: %q", where, s.Small)
			}
			if len(s.Bare) > 0 { // WCAG 2.2, 1.4.1
				b.t.Errorf("%s: coloured without a mark: %q", where, s.Bare)
			}
			if scheme == "light" {
				var shot struct{ Data []byte }
				b.call(b.session, "Page.captureScreenshot", map[string]any{"format": "png", "captureBeyondViewport": width == 360}, &shot)
				file := filepath.Join(b.t.ArtifactDir(), fmt.Sprintf("%s-%d.png", name, width))
				if err := os.WriteFile(file, shot.Data, 0o666); err != nil {
					b.t.Error(err)
				}
			}
		}
	}
	b.do("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{}})
	b.size(768, 1024)
}

// tabs walks the page by the Tab key: every control is reached, with a focus that
// shows, and the walk leaves again.
func (b *browser) tabs() {
	b.t.Helper()
	controls := 0
	b.eval(`(() => { globalThis.walked = new Set(); globalThis.unseen = []; document.activeElement.blur(); return [...document.querySelectorAll("button, input, select, a")].filter(e => e.checkVisibility()).length })()`, &controls)
	for range controls + 2 {
		b.key("Tab", "", 9)
		b.eval(`(() => { const e = document.activeElement; if (e === document.body) return 0; walked.add(e);
		  const s = getComputedStyle(e), box = e.getBoundingClientRect();
		  if (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2) unseen.push(e.textContent || e.id);
		  if (box.bottom < 0 || box.top > innerHeight) unseen.push("off the screen: " + e.textContent);
		  return walked.size })()`, nil)
	}
	var walked int
	var unseen []string
	b.eval(`walked.size`, &walked)
	b.eval(`unseen`, &unseen)
	b.t.Logf("the Tab key reached %d of %d controls", walked, controls)
	if walked < controls || len(unseen) > 0 {
		b.t.Errorf("the Tab key reached %d of %d controls; focus not seen at %q", walked, controls, unseen)
	}
}

// program is halfsplit with a page, as a process of its own.
func program(t *testing.T, binary, folder string, args ...string) (url string, process *os.Process) {
	t.Helper()
	cmd := exec.Command(binary, append([]string{"bench", "--page"}, args...)...)
	cmd.Dir = folder
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	go io.Copy(io.Discard, lines)
	return strings.TrimSpace(first), cmd.Process
}

// TestBrowser repairs every case of the demo through the page in a real browser, from
// the empty case to the closed one, and measures the page on the way.
func TestBrowser(t *testing.T) {
	if os.Getenv("HALFSPLIT_CHROMIUM") != "live" {
		t.Skip("set HALFSPLIT_CHROMIUM=live to use the bench page in chromium")
	}
	if _, err := exec.LookPath("chromium"); err != nil {
		t.Fatal("HALFSPLIT_CHROMIUM=live, and there is no chromium in the path")
	}
	folder := t.TempDir()
	binary := filepath.Join(folder, "halfsplit")
	if text, err := exec.Command("go", "build", "-o", binary, "halfsplit/cmd/halfsplit").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if err := os.CopyFS(folder, os.DirFS("../../../testdata/demo")); err != nil {
		t.Fatal(err)
	}
	scripts, err := filepath.Glob("../../../engine/bench/testdata/sessions/*.txt")
	if err != nil || len(scripts) != 7 {
		t.Fatalf("%d sessions, want those of 7 cases; %v", len(scripts), err)
	}
	for _, script := range scripts {
		name := strings.TrimSuffix(filepath.Base(script), ".txt")
		t.Run(name, func(t *testing.T) {
			entries, err := os.ReadFile(script)
			if err != nil {
				t.Fatal(err)
			}
			old, err := journal.Load(filepath.Join(folder, "cases", name+".yaml"))
			if err != nil {
				t.Fatal(err)
			}
			url, process := program(t, binary, folder, name+".yaml", "--board", "board.yaml", "--known", "known", "--complaint", "a complaint", "--meter", old.Meter.Text())
			b := startBrowser(t)
			b.size(768, 1024)
			b.visit(url)
			enter := func(line string) { b.eval(fmt.Sprintf(touch, line), nil) }
			keyboard := name == "touch-dead"
			if keyboard { // this one by keys alone: what is typed goes into the field
				enter = func(line string) {
					b.eval(`document.activeElement === document.getElementById("value") || document.getElementById("value").focus()`, nil)
					for _, c := range strings.TrimSuffix(line, " mA") {
						code, ok := map[rune]int{'.': 190, '-': 189}[c]
						if !ok {
							code = int(unicode.ToUpper(c))
						}
						b.key(string(c), string(c), code)
					}
					b.key("Enter", "\r", 13)
				}
			}
			closed := 0
			b.play(string(entries), enter, func(n int) {
				if keyboard && n == 1 {
					b.check(name + "-first-look")
				}
				if keyboard && n == 8 {
					b.check(name + "-sweep")
					b.tabs()
					b.eval(`document.getElementById("value").focus()`, nil)
				}
				step := false
				b.eval(`document.querySelector(".outcomes") !== null`, &step)
				if step && closed == 0 {
					closed++
					b.check(name + "-step")
				}
			})
			if keyboard {
				b.check(name + "-closed")
			}
			b.until(`document.getElementById("next").textContent.includes("Closed") && document.getElementById("power").textContent.includes("PASS")`)
			if name == "touch-never-wakes" {
				b.lidClosed(process)
			}
			if len(b.console) > 0 {
				t.Errorf("in the console: %s", b.console)
			}
			c, err := journal.Load(filepath.Join(folder, name+".yaml"))
			if err != nil {
				t.Fatal(err)
			}
			if _, ok := c.Closed(); !ok {
				t.Error("the case is not closed")
			}
		})
	}
}

// lidClosed stops the program for longer than a page waits, and enters something then:
// the page says so plainly, and the entry is made once the program goes on, once.
func (b *browser) lidClosed(p *os.Process) {
	b.t.Helper()
	if err := p.Signal(syscall.SIGSTOP); err != nil {
		b.t.Fatal(err)
	}
	b.until(`document.getElementById("link").textContent.includes("NOT CONNECTED")`)
	b.eval(`enter("n while the lid was closed")`, nil)
	b.until(`document.getElementById("link").textContent.includes("NOT CONNECTED") && document.getElementById("link").textContent.includes("not acknowledged")`)
	if err := p.Signal(syscall.SIGCONT); err != nil {
		b.t.Fatal(err)
	}
	b.until(`pending === null && document.getElementById("link").textContent.includes("● connected")`)
	b.until(`[...document.querySelectorAll("#events li")].filter(e => e.textContent.includes("while the lid was closed")).length === 1`)
}
