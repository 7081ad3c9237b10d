package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/fault"
	lessons "halfsplit/engine/practice/lesson"
	"halfsplit/netlist/document"
)

// practiceHelp is what every practice command says of the encryption.
const practiceHelp = `What is wrong with a practice board is encrypted in its file. That keeps out
anyone who reads, searches or compares the files, or makes the class a second
time without the teacher's passphrase. It does not keep out a student who looks into
the memory of the running program, which has to know the board, or who writes a
program that does. Nothing hinders a student from working on a case again and again
in new records: without --exam the bench says whether a verdict is right, so trying
one verdict after the other finds the answer. Nor from taking the last events, such
as a wrong verdict, off the end of a record, or from asking ` + "`halfsplit locate`" + ` about
it. The score does mark events that were changed or added by hand, readings that the
bench did not show, and records that are the same work to the second. Use practice
for learning, not for an examination that matters.`

func (a *app) practiceCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "practice COMMAND",
		Short: "fault cases for teaching: course, make, run, score, answers, handout",
		Long: `practice makes boards with something wrong for a class, gives each student a
bench to work at, and scores the records of that work.

` + practiceHelp,
		Example: `  halfsplit practice make board.yaml --lesson shorts --count 12 --seed 1 --passphrase-file passphrase.txt --to spring
  halfsplit practice run spring/case-01.yaml --by Ada
  halfsplit practice score spring/*-ada.yaml --passphrase-file passphrase.txt`,
		Args: cobra.ArbitraryArgs,
		RunE: helpOrComplain,
	}
	cmd.AddCommand(a.practiceCourseCommand(), a.practiceMakeCommand(), a.practiceRunCommand(), a.practiceScoreCommand(), a.practiceAnswersCommand(), a.practiceHandoutCommand())
	return cmd
}

func (a *app) practiceMakeCommand() *cobra.Command {
	var o lessons.Order
	var passphraseFile, to, class string
	var faults []string
	var subjects []string
	for _, s := range lessons.Subjects() {
		subjects = append(subjects, fmt.Sprintf("  %-17s %s", s.Name, s.Goal))
	}
	cmd := &cobra.Command{
		Use:   "make BOARD",
		Short: "make a class set of fault cases from a board file",
		Long: `make draws cases from a board file, all different, evenly spread over difficulty and
over the parts of the board, and writes them into a new folder, beside the board
and sweeps over good ones. How hard a case is, is the bench time that the program
expects from the sweep to a verified repair, and the suspects that the sweep
leaves. Every case can be solved: each fault shows at the connectors, so that
one thing done after the other and measured again comes to the end. The
program works on each case too; one that it does not solve is called ` + lessons.Hardest + `.

The same board, seed and passphrase give the same cases, and records of them can be
scored with a set made again; comments, titles and the order of a board file do not
count. The files differ each time, for they are encrypted again.

--fault, as often as wanted, names what may be wrong: ` + strings.Join(fault.ModeNames(), ", ") + `.
--level takes the easier, middle or harder third of what the board gives.

--class names a file about the class, which goes into the folder too:

  class: spring
  students: [Ada, Ben, Иван]
  complaints: {KEY_A: the upper key does nothing, other: fell into water}

Students then work under the names that stand there, and score tells whose work is
missing. Everybody has all cases; with --each, every student has so many of their own.
Complaints are what the owner says where that net reads wrong; left out, he names the
net.

The lessons, or ` + lessons.Mixed + ` for all of them in turn:

` + strings.Join(subjects, "\n") + `

` + practiceHelp,
		Example:           `  halfsplit practice make board.yaml --lesson mixed --count 24 --seed 1 --passphrase-file passphrase.txt --to spring`,
		Args:              arguments("BOARD file"),
		ValidArgsFunction: completeFiles(kindBoard),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := a.screen()
			if err != nil {
				return err
			}
			if to == "" {
				return instead("no folder is named", "add `--to` and a new folder for the class")
			}
			if o.Passphrase, err = readPassphrase(passphraseFile); err != nil {
				return err
			}
			if o.Board, err = loadBoard(args[0]); err != nil {
				return err
			}
			if o.BoardText, err = os.ReadFile(args[0]); err != nil {
				return instead(quoted(args[0])+" cannot be read: "+document.Reason(err), "check the path")
			}
			for _, text := range faults {
				mode, ok := fault.MeantMode(text, fault.Modes())
				if !ok {
					return instead(quoted(text)+" is not a way to go bad", document.Suggest(text, fault.ModeNames(), "the ways are "+strings.Join(fault.ModeNames(), ", ")))
				}
				o.Modes = append(o.Modes, mode)
			}
			if class != "" {
				if o.Roster, err = lessons.LoadRoster(class); err != nil {
					return err
				}
				if !cmd.Flags().Changed("set") {
					o.Set = o.Roster.Class
				}
			}
			if o.Each != 0 {
				if o.Roster == nil || o.Each < 1 || cmd.Flags().Changed("count") {
					return instead("`--each` gives every student of a class so many cases", "name the class with --class, write 1 or more, and leave --count out")
				}
				o.Count = o.Each * len(o.Roster.Students)
			}
			bar := a.progress("making cases")
			o.Watch = bar.show
			c, err := lessons.Make(o)
			bar.clear()
			if err != nil {
				return err
			}
			if err := c.Write(to); err != nil {
				return err
			}
			return a.answer(classJSON(c, to), func() { s.class(c, to, passphraseFile) })
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&o.Lesson, "lesson", lessons.Mixed, "`LESSON` that the cases are about")
	flags.IntVar(&o.Count, "count", 12, "`NUMBER` of cases")
	flags.Uint64Var(&o.Seed, "seed", 1, "`NUMBER` from which everything is drawn")
	flags.StringVar(&o.Set, "set", "practice", "`NAME` of the set, which students see (left out: that of the class, where there is one)")
	folderFlag(cmd, &to, "to", "new `FOLDER` for the class")
	flags.StringArrayVar(&faults, "fault", nil, "`FAULT` that may be on a board; give it again for more")
	flags.StringVar(&o.Level, "level", "", "`LEVEL` of difficulty: easier, middle or harder (left out: all)")
	flags.StringVar(&class, "class", "", "class `FILE`: students and complaints")
	flags.IntVar(&o.Each, "each", 0, "`NUMBER` of cases of each student's own")
	flags.BoolVar(&o.Exam, "exam", false, "the bench does not say whether a verdict is right")
	a.jsonFlag(cmd, ": times in seconds")
	passphraseFlag(cmd, &passphraseFile)
	mustComplete(cmd, "lesson", completeWords(lessons.SubjectNames()...))
	mustComplete(cmd, "fault", completeWords(fault.ModeNames()...))
	mustComplete(cmd, "level", completeWords(lessons.Levels...))
	mustComplete(cmd, "class", completeFiles(kindClass))
	return cmd
}

// madeClass is what make prints as JSON.
type madeClass struct {
	Board    string         `json:"board"`
	Revision string         `json:"revision"`
	Set      string         `json:"set"`
	Folder   string         `json:"folder"`
	Cases    []madeCase     `json:"cases"`
	Lessons  map[string]int `json:"lessons"` // how many cases of each
	Drawn    int            `json:"drawn"`
	Unfair   int            `json:"unfair"` // of those drawn: read as what they are not
}

type madeCase struct {
	Number   int      `json:"number"`
	File     string   `json:"file"`
	Level    string   `json:"level"`
	Best     *float64 `json:"best_known_seconds"`
	Expected float64  `json:"expected_seconds"`
	Suspects int      `json:"suspects"`
	Matched  int      `json:"group"`
}

func classJSON(c *lessons.Class, to string) madeClass {
	m := madeClass{Board: c.Order.Board.Name, Revision: c.Order.Board.Revision, Set: c.Order.Set, Folder: to, Lessons: map[string]int{}, Drawn: c.Drawn, Unfair: c.Unfair}
	for _, x := range c.Cases {
		m.Cases = append(m.Cases, madeCase{x.File.Number, x.File.Path, x.Answer.Level, x.Answer.Best, x.Answer.Expected, x.Answer.Suspects, x.Answer.Group})
		m.Lessons[x.Answer.Lesson]++
	}
	return m
}

// class tells the teacher how hard the cases of a class are, and what to do with
// them.
func (s *screen) class(c *lessons.Class, to, passphraseFile string) {
	s.say(s.paint(strong, wording.Board(c.Order.Board.Name, c.Order.Board.Revision)) + ": " + wording.Count(len(c.Cases), "case") + " in " + path(to))
	s.gap()
	var rows [][]cell
	by := map[string]int{}
	for _, x := range c.Cases {
		rows = append(rows, []cell{{fmt.Sprint(x.File.Number), strong}, {x.Answer.Level, plain}, {bestTime(x.Answer.Best), plain},
			{fmt.Sprint(x.Answer.Suspects), plain}, {fmt.Sprint(x.Answer.Group), plain}})
		by[x.Answer.Lesson]++
	}
	s.table(2, []column{{head: "case", right: true}, {head: "level"}, {head: "best known", right: true}, {head: "suspects", right: true}, {head: "alike", right: true}}, rows)
	s.gap()
	var words []string
	for _, l := range lessons.SubjectNames() {
		if by[l] > 0 {
			words = append(words, fmt.Sprintf("%s %d", l, by[l]))
		}
	}
	out := ""
	if c.Unfair > 0 {
		out = " Of those, " + fmt.Sprint(c.Unfair) + " read as what they are not, and were left out."
	}
	s.prose(2, 2, plain, "Lessons: "+strings.Join(words, ", ")+". Chosen out of "+fmt.Sprint(c.Drawn)+" drawn, for an even spread."+out)
	s.prose(2, 2, faint, bestNote+" Suspects: parts that the sweep leaves. Alike: those that it does not tell from the first. "+hardestNote)
	if r := c.Order.Roster; r != nil && len(r.Cases) > 0 {
		var own [][]cell
		for _, name := range r.Students {
			own = append(own, []cell{{document.Printable(name), strong}, {r.Own(name), plain}})
		}
		s.table(2, []column{{head: "student", give: true}, {head: "cases"}}, own)
		s.gap()
	}
	s.prose(2, 2, faint, "This table is for you: where the best known time is 0 s, nothing is wrong.")
	s.gap()
	s.prose(2, 2, plain, "Give out the folder "+path(to)+", without the passphrase. A student writes")
	s.say("    halfsplit practice run " + path(c.Cases[0].File.Path) + " --by NAME")
	s.prose(2, 2, plain, "and gives you back the record, "+path(lessons.RecordName(c.Cases[0].File.Path, "name"))+". With the records in the folder, write")
	s.say("    halfsplit practice score " + path(to) + " --passphrase-file " + path(passphraseFile))
	s.say("    halfsplit practice answers " + path(filepath.Join(to, "case-"+strings.Repeat("?", digits(c))+".yaml")) + " --passphrase-file " + path(passphraseFile))
}

// digits is how many a case's number has in its file's name.
func digits(c *lessons.Class) int {
	return len(strings.TrimSuffix(strings.TrimPrefix(filepath.Base(c.Cases[0].File.Path), "case-"), ".yaml"))
}

// What tables of practice cases say below them.
const (
	bestNote    = "Best known: the time of the quickest way known on this board, from the sweep to a verified repair: the program's, plain half-split's or the student's own."
	hardestNote = "Hardest: the program itself does not repair it, or names something else; it can be solved all the same."
)
