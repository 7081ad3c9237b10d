package main

import (
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	lessons "halfsplit/engine/practice/lesson"
	"halfsplit/netlist/document"
	"halfsplit/netlist/draft/table"
)

func (a *app) practiceScoreCommand() *cobra.Command {
	var passphraseFile, html, answers string
	var asCSV, steps bool
	cmd := &cobra.Command{
		Use:   "score CASE|FOLDER...",
		Short: "score the records of students",
		Long: `score reads the records that ` + "`practice run`" + ` wrote, and says of each what was right,
what the bench time was beside the best one, and of every step what it told, what was
worse about it than about the best step by what was known before it, and how the
program works on the same board. A record that cannot be scored is named, and the
others are. A folder stands for the records in it; where it holds a class file, work
that is missing is listed.

Points, out of 100: 40 for the right parts, 15 for what is wrong with them, 15 for
a board that is repaired, 30 for economy; 10 less for each risky move.

--html writes a page for the class, which does not tell the answers, and beside it a
page for each student with the name in the file's, which does: it shows the best way.
So does what is printed with --steps. Hand them out when everybody has finished.
--answers writes the answer sheet, a page of its own.`,
		Example: `  halfsplit practice score spring/*-ada.yaml --passphrase-file passphrase.txt
  halfsplit practice score spring --passphrase-file passphrase.txt --html class.html --answers answers.html`,
		Args:              someArguments("a CASE file or a folder"),
		ValidArgsFunction: completeYAML,
		RunE: a.on(func(s *screen, args []string) error {
			passphrase, err := readPassphrase(passphraseFile)
			if err != nil {
				return err
			}
			records, err := recordsOf(args)
			if err != nil {
				return err
			}
			read := append([]string{passphraseFile}, records...)
			if err := checkPages(read, outPage{option: "--html", file: html}, outPage{option: "--answers", file: answers}); err != nil {
				return err
			}
			scorer := lessons.NewScorer(passphrase)
			bar := a.progress("scoring")
			var scores []*lessons.Score
			var failed document.Problems
			sheet := map[string]answerRow{}
			folders := map[string]bool{}
			for i, file := range records {
				score, answer, err := scorer.Score(file)
				bar.show(i+1, len(records))
				if err != nil {
					failed = append(failed, problemsOf(file, err)...)
					continue
				}
				scores = append(scores, score)
				folders[filepath.Dir(file)] = true
				sheet[fmt.Sprintf("%s %6d", score.Set, score.Number)] = answerRow{score.Set, score.Number, answer}
			}
			bar.clear()
			if len(scores) == 0 && len(failed) > 0 {
				return failed
			}
			lessons.MarkCopies(scores)
			slices.SortStableFunc(scores, func(x, y *lessons.Score) int {
				return cmp.Or(strings.Compare(x.Student, y.Student), strings.Compare(x.Set, y.Set), cmp.Compare(x.Number, y.Number))
			})
			sum, err := lessons.Summarize(scores, slices.Sorted(maps.Keys(folders)))
			if err != nil {
				return err
			}
			var unscored []string
			for _, p := range failed {
				unscored = append(unscored, problemText(p))
			}
			pages, err := scorePages(html, sum, scores, unscored)
			if err != nil {
				return err
			}
			key, err := answersPage(answerRows(sheet))
			if err != nil {
				return err
			}
			if err := writePages(read, append(pages, outPage{"--answers", answers, key})...); err != nil {
				return err
			}
			switch {
			case a.asJSON:
				err = a.json(struct {
					Scores []*lessons.Score `json:"scores"`
					*lessons.Summary
					Unscored []string `json:"unscored"`
				}{scores, sum, append([]string{}, unscored...)})
			case asCSV:
				err = a.scoresCSV(scores)
			default:
				s.scores(scores, sum, steps || len(scores) == 1)
			}
			if err == nil && len(failed) > 0 {
				err = failed // the others are scored
			}
			return err
		}),
	}
	flags := cmd.Flags()
	a.jsonFlag(cmd, ": times in seconds, null for what is not known")
	flags.BoolVar(&asCSV, "csv", false, "print comma-separated values (RFC 4180), a line for each case")
	flags.BoolVar(&steps, "steps", false, "print every step of every case")
	flags.StringVar(&html, "html", "", "`FILE` for a page of the class; each student's page lies beside it")
	flags.StringVar(&answers, "answers", "", "`FILE` for the answer sheet, a page of its own")
	passphraseFlag(cmd, &passphraseFile)
	return cmd
}

// scores prints the class table and what a teacher would remark.
func (s *screen) scores(list []*lessons.Score, sum *lessons.Summary, steps bool) {
	var rows [][]cell
	for _, x := range list {
		rows = append(rows, []cell{{name(x.Student), strong}, {fmt.Sprint(x.Number), plain}, {name(x.Level), faint}, {fmt.Sprintf("%.0f", x.Points), strong},
			verdictCell(x), shareCell(x.Mode, cell{"no", plain}), repairedCell(x), {wording.Duration(x.Seconds), plain}, {bestTime(x.Best), faint}, {justified(x), faint}})
	}
	s.table(0, []column{{head: "student", give: true}, {head: "case", right: true}, {head: "level"}, {head: "points", right: true}, {head: "part"}, {head: "mode"}, {head: "repaired"},
		{head: "time", right: true}, {head: "best", right: true}, {head: "justified", right: true}}, rows)
	s.students(list, sum)
	for _, x := range list {
		s.scoreDetail(x, steps)
	}
}

func verdictCell(x *lessons.Score) cell {
	if !x.Closed {
		return cell{"not closed", yellow}
	}
	return shareCell(x.Part, cell{"wrong", red})
}

// shareCell says how much of something is right.
func shareCell(share float64, none cell) cell {
	switch {
	case share == 1:
		return cell{"right", green}
	case share > 0:
		return cell{"in part", yellow}
	}
	return none
}

func repairedCell(x *lessons.Score) cell {
	if x.Repaired {
		return cell{"yes", green}
	}
	return cell{"no", red}
}

// students prints sums by student, lesson and week where there are several cases.
func (s *screen) students(list []*lessons.Score, sum *lessons.Summary) {
	if len(list) < 2 && len(sum.Students) == len(list) {
		return
	}
	s.heading("STUDENTS", "means over the cases handed in; of all: with nothing for missing ones")
	var rows [][]cell
	for _, x := range sum.Students {
		rows = append(rows, []cell{{name(x.Student), strong}, {fmt.Sprint(x.Cases), plain}, {fmt.Sprintf("%.1f", x.Overall), strong}, {fmt.Sprintf("%.1f", x.Points), plain}, {fmt.Sprint(x.Right), plain},
			{wording.Duration(x.Seconds), plain}, {wording.Duration(x.Lost), plain}, {fmt.Sprint(x.Risky), plain}, {x.Weakest(), yellow}})
	}
	s.table(0, []column{{head: "student", give: true}, {head: "cases", right: true}, {head: "of all", right: true}, {head: "points", right: true}, {head: "right", right: true}, {head: "time", right: true},
		{head: "given away", right: true}, {head: "risky", right: true}, {head: "weakest", give: true}}, rows)
	s.means("LESSONS", "mean points by student and lesson, and in brackets the cases", slices.Sorted(maps.Keys(sum.Lessons)), sum, func(x *lessons.StudentSum) map[string]lessons.Mean { return x.Lessons })
	if len(sum.Weeks) > 1 {
		s.means("WEEKS", "mean points by student and week, and in brackets the cases", sum.Weeks, sum, func(x *lessons.StudentSum) map[string]lessons.Mean { return x.Weeks })
	}
	missing := false
	for _, x := range sum.Students {
		for _, m := range []struct {
			words string
			files []string
		}{{"not handed in", x.Missing}, {"not closed", x.Open}} {
			if len(m.files) == 0 {
				continue
			}
			if !missing {
				s.heading("MISSING", "")
				missing = true
			}
			s.prose(2, 4, yellow, name(x.Student)+": "+m.words+" "+someNames(m.files, mostNames))
		}
	}
}

// meansAcross is the number of columns of means that a screen has room for.
const meansAcross = 4

// means prints a table of means with a row for each student.
func (s *screen) means(title, remark string, keys []string, sum *lessons.Summary, of func(*lessons.StudentSum) map[string]lessons.Mean) {
	if len(keys) == 0 {
		return
	}
	s.heading(title, remark)
	for part := range slices.Chunk(keys, meansAcross) {
		columns := []column{{head: "student", give: true}}
		for _, key := range part {
			columns = append(columns, column{head: key, right: true})
		}
		var rows [][]cell
		for _, x := range sum.Students {
			row := []cell{{name(x.Student), strong}}
			for _, key := range part {
				text := ""
				if m, ok := of(x)[key]; ok {
					text = fmt.Sprintf("%.0f (%d)", m.Points, m.Cases)
				}
				row = append(row, cell{text, plain})
			}
			rows = append(rows, row)
		}
		s.table(0, columns, rows)
		s.gap()
	}
}

// recordsOf puts the records in a folder in its place.
func recordsOf(args []string) ([]string, error) {
	var list []string
	for _, file := range args {
		if info, err := os.Stat(file); err != nil || !info.IsDir() {
			list = append(list, file)
			continue
		}
		records, err := lessons.Records(file)
		if err != nil {
			return nil, err
		}
		if len(records) == 0 {
			return nil, instead(quoted(file)+" holds no records", "let students hand theirs in there")
		}
		list = append(list, records...)
	}
	return list, nil
}

// problemsOf is an error about a file as problems of it.
func problemsOf(file string, err error) document.Problems {
	var found document.Problems
	if errors.As(err, &found) {
		return found
	}
	what, do, _ := strings.Cut(strings.TrimPrefix(err.Error(), file+": "), "; ")
	return document.Wrong(file, what, do)
}

func (s *screen) scoreDetail(x *lessons.Score, steps bool) {
	if !steps && len(x.Remarks) == 0 && len(x.Doubts) == 0 {
		return
	}
	s.heading(fmt.Sprintf("%s, CASE %d", strings.ToUpper(name(x.Student)), x.Number), fmt.Sprintf("%.0f points: part %.0f, mode %.0f, remedy %.0f, economy %.0f, risk %.0f",
		x.Points, x.Parts.Part, x.Parts.Mode, x.Parts.Remedy, x.Parts.Economy, x.Parts.Risk))
	if steps {
		s.prose(2, 4, plain, "said: "+saidWords(x))
	}
	if steps {
		s.stepTable(x.Steps)
		told := map[int]bool{}
		for _, r := range x.Remarks {
			told[r.Event] = told[r.Event] || r.Kind == lessons.Wasteful
		}
		for _, t := range x.Steps {
			if t.Why != "" && !told[t.Event] {
				s.prose(2, 4, faint, fmt.Sprintf("event %d: %s", t.Event, prose(t.Why)))
			}
		}
	}
	for _, r := range x.Remarks {
		where := ""
		if r.Event > 0 {
			where = fmt.Sprintf("event %d: ", r.Event)
		}
		s.prose(2, 4, remarkStyles[r.Kind], r.Kind+": "+where+prose(r.Why))
	}
	for _, d := range x.Doubts {
		s.prose(2, 4, loud, "doubtful record: "+prose(d))
	}
	if !steps {
		return
	}
	s.heading("BEST WAY", "the quickest known on this board; it tells the answer")
	if len(x.Way) == 0 {
		s.prose(2, 2, plain, wayless(x))
	}
	s.stepTable(x.Way)
}

// stepTable prints steps with what each cost and showed.
func (s *screen) stepTable(list []lessons.StepScore) {
	if len(list) == 0 {
		return
	}
	lossy := slices.ContainsFunc(list, func(t lessons.StepScore) bool { return t.Lost >= 1 })
	columns := []column{{head: "event", right: true}, {head: "did and saw", give: true}, {head: "cost", right: true}, {head: "bits", right: true}, {head: "then justified", give: true}}
	if lossy {
		columns = slices.Insert(columns, 4, column{head: "lost", right: true})
	}
	var rows [][]cell
	for _, t := range list {
		row := []cell{{fmt.Sprint(t.Event), faint}, {prose(t.Did), plain}, {fmt.Sprintf("%.0f s", t.Seconds), plain}, {fmt.Sprintf("%.1f → %.1f", t.Before, t.After), plain}, {posteriorText(t.Posterior), plain}}
		if lossy {
			lost := cell{"", plain}
			if t.Lost >= 1 {
				lost = cell{fmt.Sprintf("%.0f s", t.Lost), yellow}
			}
			row = slices.Insert(row, 4, lost)
		}
		rows = append(rows, row)
	}
	s.table(2, columns, rows)
	s.gap()
}

var remarkStyles = map[string]style{lessons.Risky: loud, lessons.Wasteful: yellow, lessons.Lucky: cyan, lessons.Sound: green}

func posteriorText(list []lessons.Posterior) string {
	var words []string
	for _, b := range list[:min(len(list), 2)] {
		words = append(words, name(b.Part)+" "+wording.Percent(b.Probability))
	}
	return strings.Join(words, ", ")
}

func (a *app) scoresCSV(list []*lessons.Score) error {
	w := csv.NewWriter(a.out)
	rows := [][]string{{"student", "set", "case", "lesson", "level", "points", "part", "mode", "repaired", "seconds", "best_known_seconds", "justified", "lost_seconds", "steps", "wasteful", "risky", "doubts", "week", "record"}}
	safe := func(text string) string { return table.Guard(name(text)) }
	number := func(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }
	share := func(v *float64) string {
		if v == nil {
			return ""
		}
		return number(*v, 3)
	}
	for _, x := range list {
		kinds := map[string]int{}
		for _, r := range x.Remarks {
			kinds[r.Kind]++
		}
		best := ""
		if x.Best != nil {
			best = number(*x.Best, 0)
		}
		rows = append(rows, []string{safe(x.Student), safe(x.Set), fmt.Sprint(x.Number), x.Lesson, x.Level, number(x.Points, 1), number(x.Part, 2), number(x.Mode, 2), fmt.Sprint(x.Repaired),
			number(x.Seconds, 0), best, share(x.Justified), number(x.Lost(), 0), fmt.Sprint(len(x.Steps)),
			fmt.Sprint(kinds[lessons.Wasteful]), fmt.Sprint(kinds[lessons.Risky]), fmt.Sprint(len(x.Doubts)), x.Week(), safe(x.Record)})
	}
	return w.WriteAll(rows)
}

func (a *app) practiceAnswersCommand() *cobra.Command {
	var passphraseFile, html string
	cmd := &cobra.Command{
		Use:               "answers FILE...",
		Short:             "open the answers of practice files, for the teacher",
		Args:              someArguments("a practice FILE"),
		Example:           `  halfsplit practice answers spring/case-??.yaml --passphrase-file passphrase.txt`,
		ValidArgsFunction: completeYAML,
		RunE: a.on(func(s *screen, args []string) error {
			passphrase, err := readPassphrase(passphraseFile)
			if err != nil {
				return err
			}
			ring := lessons.NewKeyring(passphrase)
			sheet := map[string]answerRow{}
			for _, file := range args {
				f, err := lessons.Load(file)
				if err != nil {
					return err
				}
				answer, err := f.AnswerWith(ring)
				if err != nil {
					return err
				}
				sheet[fmt.Sprintf("%s %6d", f.Set, f.Number)] = answerRow{f.Set, f.Number, answer}
			}
			if html != "" {
				text, err := answersPage(answerRows(sheet))
				if err != nil {
					return err
				}
				return writePages(append([]string{passphraseFile}, args...), outPage{"--html", html, text})
			}
			if a.asJSON {
				return a.json(struct {
					Answers []answerRow `json:"answers"`
				}{answerRows(sheet)})
			}
			var rows [][]cell
			for _, r := range answerRows(sheet) {
				words := prose(r.Answer.Words)
				if len(r.Answer.Lures) > 0 {
					words += "; looks bad and is not: " + someNames(r.Answer.Lures, mostNames)
				}
				if r.Answer.Flicker > 0 {
					words += ", comes and goes"
				}
				rows = append(rows, []cell{{fmt.Sprint(r.Number), strong}, {r.Answer.Lesson, faint}, {r.Answer.Level, faint}, {bestTime(r.Answer.Best), plain}, {words, plain}})
			}
			s.wrapped(0, rows)
			return nil
		}),
	}
	cmd.Flags().StringVar(&html, "html", "", "`FILE` for the answer sheet as a page to print")
	a.jsonFlag(cmd, ": times in seconds")
	passphraseFlag(cmd, &passphraseFile)
	return cmd
}

// answerRow is one line of the answer sheet.
type answerRow struct {
	Set    string          `json:"set"`
	Number int             `json:"number"`
	Answer *lessons.Answer `json:"answer"`
}

func answerRows(sheet map[string]answerRow) []answerRow {
	rows := make([]answerRow, 0, len(sheet))
	for _, k := range slices.Sorted(maps.Keys(sheet)) {
		rows = append(rows, sheet[k])
	}
	return rows
}
