// Package benchpage serves a session at the bench to browsers: a second face of
// engine/bench. It decides nothing: what the page shows is a View that the owner of
// the session made, and what is entered is handed to that owner, one line at a time.
//
// In most cases:
//
//	s, err := benchpage.Listen("127.0.0.1:0")
//	s.Show(&view)             // what every browser shows from now on
//	e := <-s.Entries()        // a line that somebody entered
//	if s.Current(e) {
//		e.Answer(benchpage.Answer{Entered: true}) // once it is on the disk
//	}
//
// The page is reached by a random key in its address and by nothing else. It loads
// nothing from outside, and no other site can make it do or tell anything: Host,
// Origin and Sec-Fetch-Site are checked, and its Content-Security-Policy allows its
// own script and style only.
package benchpage

import (
	"crypto/rand"
	"crypto/subtle"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"halfsplit/cmd/halfsplit/page"
)

//go:embed page.css
var css []byte

//go:embed page.js
var script []byte

// Bounds on what a server does for others. A bench has a tablet or two; what goes
// beyond these is not the bench.
const (
	mostStreams = 16      // pages open at once
	mostWaiting = 32      // requests that wait for the owner at once
	mostBody    = 8 << 10 // bytes of a request
	mostAnswers = 512     // entries whose answers are kept, for those that are sent again
	mostID      = 64      // bytes of the id of an entry

	readTime  = 10 * time.Second // for a request to arrive
	writeTime = 10 * time.Second // for a piece of an answer to leave
	beatTime  = 4 * time.Second  // between signs of life; the script gives up after three
)

// Server serves one session. Its methods may be called by any goroutine.
type Server struct {
	URL  string // of the page, with its key
	Open bool   // it can be reached from other machines

	key     string
	address *net.TCPAddr
	http    *http.Server
	entries chan *Entry
	closed  chan struct{}
	waiting chan struct{} // a place for each request that may wait

	mu      sync.Mutex
	version int
	shown   shown
	changed chan struct{} // closed when there is something newer to show
	kept    map[string]*Entry
	order   []string // ids of kept, oldest first
	streams int
}

// Entry is what somebody entered on a page, or asked for. It is waited for: every
// entry that is received has to be answered.
type Entry struct {
	Text   string
	Report bool // the report is wanted; Text is empty

	version string // of the view it was entered on
	done    chan struct{}
	answer  Answer
}

// Answer is what became of an entry.
type Answer struct {
	Entered bool   `json:"entered"` // it was understood, and what it records is on the disk
	Says    string `json:"says"`    // in words; why not, where it was not entered
	Report  []byte `json:"-"`       // an HTML page, of an entry that asks for it
}

// Answer says what became of an entry. It is called once for each.
func (e *Entry) Answer(a Answer) {
	e.answer = a
	close(e.done)
}

// Listen begins to serve on a host, or a host and port: 127.0.0.1 at a free port
// where the address is empty. The error says "what; what to do".
func Listen(address string) (*Server, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		host, port = strings.Trim(address, "[]"), "0"
	}
	if address == "" {
		host = "127.0.0.1"
	}
	l, err := net.Listen("tcp", net.JoinHostPort(host, port))
	if err != nil {
		return nil, fmt.Errorf("the page cannot be served on %q: %w; name an address of this machine, such as 127.0.0.1, and a port that is free, or none", address, err)
	}
	s := &Server{
		key: rand.Text(), address: l.Addr().(*net.TCPAddr),
		entries: make(chan *Entry), closed: make(chan struct{}), waiting: make(chan struct{}, mostWaiting),
		changed: make(chan struct{}), kept: map[string]*Entry{},
	}
	s.Open = !s.address.IP.IsLoopback()
	shownHost := s.address.IP.String()
	if s.address.IP.IsUnspecified() {
		shownHost = outward()
	}
	s.URL = "http://" + net.JoinHostPort(shownHost, strconv.Itoa(s.address.Port)) + "/" + s.key + "/"
	s.http = &http.Server{Handler: s, ReadHeaderTimeout: readTime, ReadTimeout: readTime, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10}
	go s.http.Serve(l) // ends with Close
	return s, nil
}

// outward is an address of this machine by which others reach it.
func outward() string {
	list, _ := net.InterfaceAddrs()
	for _, a := range list {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() && n.IP.To4() != nil {
			return n.IP.String()
		}
	}
	return "127.0.0.1"
}

// Close ends the serving. Entries that nobody took are answered as not entered.
func (s *Server) Close() {
	close(s.closed)
	s.http.Close()
}

// Entries are what was entered, in the order of arrival.
func (s *Server) Entries() <-chan *Entry { return s.entries }

// Show makes every page show a view, and makes it the one that entries are for.
func (s *Server) Show(v *View) error {
	next, err := v.render()
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.version++
	s.shown = next
	close(s.changed)
	s.changed = make(chan struct{})
	return nil
}

// Current tells whether an entry was made on the view that is shown now. One that was
// not might be meant for another point; it is answered so.
func (s *Server) Current(e *Entry) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if e.Report || e.version == strconv.Itoa(s.version) {
		return true
	}
	e.Answer(Answer{Says: "what is asked for has changed since; look again, then enter it again"})
	return false
}

// allowed tells whether a Host is that of the page. Names that are not of this
// machine are refused, whatever they resolve to: a site that has its name point here
// (DNS rebinding) is not this page.
func (s *Server) allowed(host string) bool {
	name, port, err := net.SplitHostPort(host)
	if err != nil || port != strconv.Itoa(s.address.Port) {
		return false
	}
	ip := net.ParseIP(name)
	switch {
	case ip == nil:
		return strings.EqualFold(name, "localhost") && !s.Open
	case s.address.IP.IsUnspecified():
		list, _ := net.InterfaceAddrs()
		return slices.ContainsFunc(list, func(a net.Addr) bool { n, ok := a.(*net.IPNet); return ok && n.IP.Equal(ip) })
	}
	return ip.Equal(s.address.IP)
}

// ours tells whether an Origin is the page's own.
func (s *Server) ours(origin, host string) bool {
	u, err := url.Parse(origin)
	return err == nil && u.Scheme == "http" && u.Host == host && s.allowed(host)
}

// refused is why a request is not served; 0 where it is.
func (s *Server) refused(r *http.Request) (code int, why string) {
	key, _, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	site := r.Header.Get("Sec-Fetch-Site")
	switch {
	case !s.allowed(r.Host):
		return http.StatusForbidden, "this is not the address of the page; open the one that the program printed"
	case subtle.ConstantTimeCompare([]byte(key), []byte(s.key)) != 1:
		return http.StatusForbidden, "the key is missing or wrong; open the address that the program printed, whole"
	case (site == "cross-site" || site == "same-site") && r.Header.Get("Sec-Fetch-Mode") != "navigate":
		return http.StatusForbidden, "another site may not ask for this"
	case r.Method == http.MethodGet || r.Method == http.MethodHead:
		return 0, ""
	case r.Method != http.MethodPost:
		return http.StatusMethodNotAllowed, "only GET and POST are served"
	case !s.ours(r.Header.Get("Origin"), r.Host) || site != "" && site != "same-origin":
		return http.StatusForbidden, "only the page itself may enter anything"
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return http.StatusUnsupportedMediaType, "an entry is JSON"
	}
	return 0, ""
}

// ServeHTTP serves the page and what it asks for.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	for name, value := range map[string]string{
		"Content-Security-Policy":      "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
		"Cache-Control":                "no-store",
		"X-Content-Type-Options":       "nosniff",
		"Referrer-Policy":              "no-referrer",
		"Cross-Origin-Opener-Policy":   "same-origin",
		"Cross-Origin-Resource-Policy": "same-origin",
	} {
		h.Set(name, value)
	}
	if code, why := s.refused(r); code != 0 {
		h.Set("Connection", "close")
		http.Error(w, why, code)
		return
	}
	rc := http.NewResponseController(w)
	rc.SetWriteDeadline(time.Now().Add(time.Minute))
	switch what := strings.TrimPrefix(r.URL.Path, "/"+s.key); r.Method + " " + what {
	case "GET /":
		s.mu.Lock()
		text := s.shown.page
		s.mu.Unlock()
		send(w, "text/html", text)
	case "GET /page.css":
		send(w, "text/css", append([]byte(page.Palette()), css...))
	case "GET /page.js":
		send(w, "text/javascript", script)
	case "GET /icon.svg": // a browser asks for one, at an address without the key where the page names none
		send(w, "image/svg+xml", []byte(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 4"><path d="M0 1h4v2H0z" fill="#8aa"/><path d="M0 1h2v2H0z"/></svg>`))
	case "GET /place.svg":
		s.mu.Lock()
		text := s.shown.place
		s.mu.Unlock()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'") // its own style, and nothing else
		send(w, "image/svg+xml", []byte(text))
	case "GET /events":
		s.stream(w, r)
	case "GET /report":
		a, ok := s.ask(&Entry{Report: true})
		if !ok || a.Report == nil {
			http.Error(w, "the report cannot be made: "+a.Says, http.StatusServiceUnavailable)
			return
		}
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'")
		send(w, "text/html", a.Report)
	case "POST /enter":
		s.enter(w, r)
	default:
		http.Error(w, "there is nothing here; open the address that the program printed", http.StatusNotFound)
	}
}

func send(w http.ResponseWriter, kind string, text []byte) {
	w.Header().Set("Content-Type", kind+"; charset=utf-8")
	w.Write(text)
}

// enter takes an entry. An id that was seen before is answered as it was then: who
// lost the answer sends the same again, and nothing is entered twice.
func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	var x struct{ ID, Version, Text string }
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, mostBody))
	if err == nil {
		err = json.Unmarshal(body, &x)
	}
	switch {
	case errors.As(err, new(*http.MaxBytesError)):
		http.Error(w, "an entry is shorter", http.StatusRequestEntityTooLarge)
		return
	case err != nil || x.ID == "" || len(x.ID) > mostID || strings.ContainsAny(x.Text, "\r\n"):
		http.Error(w, "an entry has an id, the version that it was made on, and a line of text", http.StatusBadRequest)
		return
	}
	e := &Entry{Text: x.Text, version: x.Version}
	s.mu.Lock()
	old, again := s.kept[x.ID]
	if !again {
		if len(s.order) == mostAnswers {
			delete(s.kept, s.order[0])
			s.order = s.order[1:]
		}
		e.done = make(chan struct{})
		s.kept[x.ID], s.order = e, append(s.order, x.ID)
	}
	s.mu.Unlock()
	var a Answer
	ok := true
	if again {
		select {
		case <-old.done:
			a = old.answer
		case <-s.closed:
			ok = false
		}
	} else if a, ok = s.ask(e); !ok {
		s.mu.Lock() // it was never handed over; the same id may try again
		delete(s.kept, x.ID)
		s.order = slices.DeleteFunc(s.order, func(id string) bool { return id == x.ID })
		s.mu.Unlock()
	}
	if !ok {
		http.Error(w, "the program is busy or has ended; send it again", http.StatusServiceUnavailable)
		return
	}
	text, err := json.Marshal(a)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	send(w, "application/json", text)
}

// ask hands an entry to the owner and waits for the answer, whether or not its sender
// is still there. ok is false where it was not handed over.
func (s *Server) ask(e *Entry) (a Answer, ok bool) {
	if e.done == nil {
		e.done = make(chan struct{})
	}
	select {
	case s.waiting <- struct{}{}:
		defer func() { <-s.waiting }()
	default:
		return a, false
	}
	select {
	case s.entries <- e:
	case <-s.closed:
		return a, false
	}
	<-e.done // the owner answers all that it took
	return e.answer, true
}

// stream sends a page what changed, from now on, and a sign of life.
func (s *Server) stream(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	full := s.streams >= mostStreams
	if !full {
		s.streams++
	}
	s.mu.Unlock()
	if full {
		http.Error(w, "too many pages are open; close one", http.StatusServiceUnavailable)
		return
	}
	defer func() { s.mu.Lock(); s.streams--; s.mu.Unlock() }()
	w.Header().Set("Content-Type", "text/event-stream")
	rc := http.NewResponseController(w)
	rc.SetReadDeadline(time.Time{}) // the request is read; it stays open
	beat := time.NewTicker(beatTime)
	defer beat.Stop()
	has := map[string]string{}
	for sent := 0; ; {
		s.mu.Lock()
		version, now, changed := s.version, s.shown, s.changed
		s.mu.Unlock()
		text := "event: beat\ndata:\n\n"
		if version != sent {
			news := map[string]string{}
			for name, html := range now.regions {
				if has[name] != html {
					news[name], has[name] = html, html
				}
			}
			data, err := json.Marshal(struct {
				Version string            `json:"version"`
				Regions map[string]string `json:"regions"`
			}{strconv.Itoa(version), news})
			if err != nil {
				return
			}
			text, sent = "data: "+string(data)+"\n\n", version
		}
		rc.SetWriteDeadline(time.Now().Add(writeTime))
		if _, err := io.WriteString(w, text); err != nil || rc.Flush() != nil {
			return
		}
		select {
		case <-changed:
		case <-beat.C:
		case <-r.Context().Done():
			return
		case <-s.closed:
			return
		}
	}
}
