package benchpage

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"
)

// owner is a session that takes every line: what it took, in order.
type owner struct {
	*Server
	t     *testing.T
	mu    sync.Mutex
	taken []string
}

// own serves on an address and takes entries until the test ends.
func own(t *testing.T, address string) *owner {
	t.Helper()
	s, err := Listen(address)
	if err != nil {
		t.Fatal(err)
	}
	o := &owner{Server: s, t: t}
	show := func(n int) {
		v := View{Board: "Board <b>", Next: Next{Object: fmt.Sprint("step ", n)}, Parts: []string{`R1"><script>x()</script>`}}
		if err := s.Show(&v); err != nil {
			t.Error(err)
		}
	}
	show(0)
	if t.Failed() {
		t.FailNow()
	}
	done := make(chan struct{})
	go func() {
		for {
			select {
			case e := <-s.Entries():
				if e.Report {
					e.Answer(Answer{Report: []byte("<!DOCTYPE html>report")})
					continue
				}
				if !s.Current(e) {
					continue
				}
				o.mu.Lock()
				o.taken = append(o.taken, e.Text)
				n := len(o.taken)
				o.mu.Unlock()
				e.Answer(Answer{Entered: true})
				show(n)
			case <-done:
				return
			}
		}
	}()
	t.Cleanup(func() { close(done); s.Close() })
	return o
}

func (o *owner) entries() []string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]string(nil), o.taken...)
}

func (o *owner) origin() string { return "http://" + o.address.String() }

// update is what a stream brings.
type update struct {
	Version string
	Regions map[string]string
}

// open opens a stream and gives what it brings.
func (o *owner) open() (*http.Response, <-chan update) {
	o.t.Helper()
	r, err := http.Get(o.URL + "events")
	if err != nil {
		o.t.Fatal(err)
	}
	news := make(chan update, 100)
	go func() {
		defer close(news)
		lines := bufio.NewScanner(r.Body)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			if text, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				var u update
				if json.Unmarshal([]byte(text), &u) == nil {
					news <- u
				}
			}
		}
	}()
	return r, news
}

// post sends an entry as the page does.
func (o *owner) post(id, version, text string) (int, Answer) {
	o.t.Helper()
	body, _ := json.Marshal(map[string]string{"id": id, "version": version, "text": text})
	r := o.request("POST", "enter", bytes.NewReader(body))
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		o.t.Fatal(err)
	}
	defer resp.Body.Close()
	var a Answer
	json.NewDecoder(resp.Body).Decode(&a)
	return resp.StatusCode, a
}

// request is one that the page itself may make.
func (o *owner) request(method, what string, body io.Reader) *http.Request {
	o.t.Helper()
	r, err := http.NewRequest(method, o.URL+what, body)
	if err != nil {
		o.t.Fatal(err)
	}
	if method == "POST" {
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", o.origin())
	}
	return r
}

const goodBody = `{"id":"a","version":"1","text":"0.452"}`

// TestRefused makes requests that other sites and machines might make: none is served,
// and none is entered.
func TestRefused(t *testing.T) {
	o := own(t, "")
	port := fmt.Sprint(o.address.Port)
	for _, x := range []struct {
		name, method, what, body string
		change                   func(r *http.Request)
		want                     int
	}{
		{"the page", "GET", "", "", nil, 200},
		{"by the name of this machine", "GET", "", "", func(r *http.Request) { r.Host = "localhost:" + port }, 200},
		{"rebinding: a foreign name that resolves here", "GET", "", "", func(r *http.Request) { r.Host = "evil.example:" + port }, 403},
		{"rebinding, on the stream", "GET", "events", "", func(r *http.Request) { r.Host = "evil.example:" + port }, 403},
		{"rebinding, a write", "POST", "enter", goodBody, func(r *http.Request) {
			r.Host = "evil.example:" + port
			r.Header.Set("Origin", "http://evil.example:"+port)
		}, 403},
		{"another port", "GET", "", "", func(r *http.Request) { r.Host = "127.0.0.1:1" }, 403},
		{"no port", "GET", "", "", func(r *http.Request) { r.Host = "127.0.0.1" }, 403},
		{"another address", "GET", "", "", func(r *http.Request) { r.Host = "10.1.2.3:" + port }, 403},
		{"no key", "GET", "", "", func(r *http.Request) { r.URL.Path = "/" }, 403},
		{"wrong key", "GET", "", "", func(r *http.Request) { r.URL.Path = "/" + strings.Repeat("A", len(o.key)) + "/" }, 403},
		{"part of the key", "GET", "", "", func(r *http.Request) { r.URL.Path = "/" + o.key[:len(o.key)-1] + "/" }, 403},
		{"wrong key, a write", "POST", "enter", goodBody, func(r *http.Request) { r.URL.Path = "/" + o.key[1:] + "x/enter" }, 403},
		{"a foreign origin", "POST", "enter", goodBody, func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }, 403},
		{"an origin that only begins as ours", "POST", "enter", goodBody, func(r *http.Request) { r.Header.Set("Origin", o.origin()+".evil.example") }, 403},
		{"another port as origin", "POST", "enter", goodBody, func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:1") }, 403},
		{"origin null", "POST", "enter", goodBody, func(r *http.Request) { r.Header.Set("Origin", "null") }, 403},
		{"no origin", "POST", "enter", goodBody, func(r *http.Request) { r.Header.Del("Origin") }, 403},
		{"no origin, as a form", "POST", "enter", "text=y", func(r *http.Request) {
			r.Header.Del("Origin")
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}, 403},
		{"as a form", "POST", "enter", goodBody, func(r *http.Request) { r.Header.Set("Content-Type", "text/plain") }, 415},
		{"cross-site by its own words", "POST", "enter", goodBody, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, 403},
		{"same-site is not same-origin", "POST", "enter", goodBody, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") }, 403},
		{"a foreign script asks for the stream", "GET", "events", "", func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, 403},
		{"another method", "PUT", "enter", goodBody, nil, 405},
		{"a write by GET", "GET", "enter?text=y", "", nil, 404},
		{"something else", "GET", "../../etc/passwd", "", nil, 404},
		{"an oversized body", "POST", "enter", `{"id":"a","version":"1","text":"` + strings.Repeat("9", mostBody) + `"}`, nil, 413},
		{"no JSON", "POST", "enter", "y", nil, 400},
		{"no id", "POST", "enter", `{"version":"1","text":"y"}`, nil, 400},
		{"an id of any length", "POST", "enter", `{"id":"` + strings.Repeat("a", mostID+1) + `","version":"1","text":"y"}`, nil, 400},
		{"two lines", "POST", "enter", `{"id":"a","version":"1","text":"y\ny"}`, nil, 400},
	} {
		r := o.request(x.method, x.what, strings.NewReader(x.body))
		if x.change != nil {
			x.change(r)
		}
		resp, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			t.Errorf("%s: %v", x.name, err)
			continue
		}
		text, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		if resp.StatusCode != x.want {
			t.Errorf("%s: answered %d %.80q, want %d", x.name, resp.StatusCode, text, x.want)
		}
		if x.want != 200 && bytes.Contains(text, []byte(o.key)) {
			t.Errorf("%s: told the key", x.name)
		}
		if policy := resp.Header.Get("Content-Security-Policy"); !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") {
			t.Errorf("%s: policy %q", x.name, policy)
		}
		if resp.Header.Get("Cache-Control") != "no-store" || resp.Header.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: may be stored, or tells its address: %v", x.name, resp.Header)
		}
	}
	if got := o.entries(); len(got) != 0 {
		t.Errorf("entered all the same: %q", got)
	}
	if code, a := o.post("a", "1", "0.452"); code != 200 || !a.Entered || len(o.entries()) != 1 {
		t.Errorf("the page's own entry: %d %+v; the refusals above would show nothing", code, a)
	}
}

// TestOtherAddress serves on every address of the machine: the key is needed, and Host
// has to be an address of this machine and no name.
func TestOtherAddress(t *testing.T) {
	o := own(t, "0.0.0.0:0")
	if !o.Open {
		t.Error("the caution would not be printed")
	}
	port := fmt.Sprint(o.address.Port)
	for host, want := range map[string]bool{"127.0.0.1:" + port: true, "localhost:" + port: false, "evil.example:" + port: false, "8.8.8.8:" + port: false, "127.0.0.1:1": false} {
		if o.allowed(host) != want {
			t.Errorf("%s allowed: %v, want %v", host, !want, want)
		}
	}
	if s, err := Listen("nowhere.invalid"); err == nil {
		s.Close()
		t.Error("an address that is not there was served")
	}
}

// TestEscaped looks for what a board file might smuggle into the page.
func TestEscaped(t *testing.T) {
	o := own(t, "")
	resp, err := http.Get(o.URL)
	if err != nil {
		t.Fatal(err)
	}
	text, _ := io.ReadAll(resp.Body)
	resp.Body.Close()
	for _, bad := range []string{"<script>x()", "Board <b>", " style=", " onclick"} {
		if bytes.Contains(text, []byte(bad)) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if n := bytes.Count(text, []byte("<script")); n != 1 {
		t.Errorf("%d scripts, want the page's own", n)
	}
	for _, region := range regionNames {
		if !bytes.Contains(text, []byte(`id="`+region+`"`)) {
			t.Errorf("the page has no place for %s", region)
		}
	}
}

// TestClients lets several pages enter at once: each sees every entry, and an entry
// that was made on an older view is refused.
func TestClients(t *testing.T) {
	o := own(t, "")
	const clients, each = 4, 25
	var wait sync.WaitGroup
	refused := make([]int, clients)
	for k := range clients {
		resp, news := o.open()
		wait.Go(func() {
			defer resp.Body.Close()
			version := (<-news).Version
			for n := 0; n < each; {
				code, a := o.post(fmt.Sprint(k, "-", n, "-", version), version, fmt.Sprint(k, "-", n))
				switch {
				case code != 200:
					t.Errorf("answered %d", code)
					return
				case a.Entered:
					n++
				default:
					refused[k]++
				}
				if n < each {
					version = (<-news).Version
				}
			}
		})
	}
	wait.Wait()
	count := map[string]int{}
	for _, text := range o.entries() {
		count[text]++
	}
	if len(count) != clients*each {
		t.Errorf("%d different entries, want %d", len(count), clients*each)
	}
	for text, n := range count {
		if n != 1 {
			t.Errorf("%s was entered %d times", text, n)
		}
	}
	t.Logf("refused, because another page had been quicker: %v", refused)
	if code, a := o.post("old", "1", "x"); code != 200 || a.Entered || !strings.Contains(a.Says, "look again") {
		t.Errorf("an entry for an older view: %d %+v", code, a)
	}
}

// TestDropped drops the connection of each of 200 entries, at some moment between the
// first byte that is sent and the answer, and sends the entry again until it is
// answered: each is entered once, in order.
func TestDropped(t *testing.T) {
	o := own(t, "")
	const entries = 200
	resp, news := o.open()
	defer resp.Body.Close()
	version := (<-news).Version
	var want []string
	for n := range entries {
		text := fmt.Sprintf("n entry %d", n)
		want = append(want, text)
		body := fmt.Sprintf(`{"id":"id-%d","version":%q,"text":%q}`, n, version, text)
		raw := fmt.Sprintf("POST /%s/enter HTTP/1.1\r\nHost: %s\r\nOrigin: %s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s",
			o.key, o.address, o.origin(), len(body), body)
		for try := range 3 {
			c, err := net.Dial("tcp", o.address.String())
			if err != nil {
				t.Fatal(err)
			}
			send := raw
			if try == 0 { // cut somewhere, or whole and not waited for
				send = raw[:len(raw)-(n%4)*37]
			}
			io.WriteString(c, send)
			if try == 0 && n%8 >= 4 {
				time.Sleep(time.Duration(n%5) * time.Millisecond)
			}
			if try < 2 {
				c.Close()
				continue
			}
			got, err := http.ReadResponse(bufio.NewReader(c), nil)
			if err != nil {
				t.Fatalf("entry %d: %v", n, err)
			}
			var a Answer
			if err := json.NewDecoder(got.Body).Decode(&a); err != nil || !a.Entered {
				t.Fatalf("entry %d: %d %+v %v", n, got.StatusCode, a, err)
			}
			c.Close()
		}
		version = (<-news).Version
	}
	got := o.entries()
	if len(got) != entries {
		t.Errorf("%d entries, want %d", len(got), entries)
	}
	for i := range min(len(got), entries) {
		if got[i] != want[i] {
			t.Fatalf("entry %d is %q, want %q", i, got[i], want[i])
		}
	}
}

// TestFlood opens more streams than a bench has pages: those beyond the bound are
// refused, the others live, and a place that is left is free again.
func TestFlood(t *testing.T) {
	o := own(t, "")
	var open []*http.Response
	full := 0
	for range mostStreams * 3 {
		r, err := http.Get(o.URL + "events")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		if r.StatusCode == 503 {
			full++
			continue
		}
		open = append(open, r)
	}
	if len(open) != mostStreams || full != 2*mostStreams {
		t.Errorf("%d streams open and %d refused, want %d and %d", len(open), full, mostStreams, 2*mostStreams)
	}
	if code, a := o.post("a", "1", "y"); code != 200 || !a.Entered {
		t.Errorf("an entry during the flood: %d %+v", code, a)
	}
	open[0].Body.Close()
	for wait := 0; ; wait++ {
		r, err := http.Get(o.URL + "events")
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		if r.StatusCode == 200 {
			break
		}
		if wait > 200 {
			t.Fatal("a place that was left stays taken")
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// TestReport asks for the report, which has a policy of its own.
func TestReport(t *testing.T) {
	o := own(t, "")
	r, err := http.Get(o.URL + "report")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, _ := io.ReadAll(r.Body)
	if r.StatusCode != 200 || string(text) != "<!DOCTYPE html>report" || strings.Contains(r.Header.Get("Content-Security-Policy"), "script") {
		t.Errorf("%d %q %v", r.StatusCode, text, r.Header)
	}
}

// FuzzEntry sends bodies of any kind: no panic, no entry that is longer than a line.
func FuzzEntry(f *testing.F) {
	f.Add(goodBody)
	f.Add(`{"id":"a","version":"x","text":"\u0000"}`)
	f.Add(`[]`)
	s, err := Listen("")
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(s.Close)
	if err := s.Show(&View{}); err != nil {
		f.Fatal(err)
	}
	go func() {
		for e := range s.Entries() {
			if strings.ContainsAny(e.Text, "\r\n") || len(e.Text) > mostBody {
				panic("an entry of more than a line: " + e.Text)
			}
			if s.Current(e) {
				e.Answer(Answer{Entered: true})
			}
		}
	}()
	u, err := url.Parse(s.URL)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, body string) {
		r, err := http.NewRequest("POST", s.URL+"enter", strings.NewReader(body))
		if err != nil {
			t.Skip()
		}
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", "http://"+u.Host)
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode >= 500 {
			t.Fatalf("answered %d to %q", resp.StatusCode, body)
		}
	})
}
