package main

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	lessons "halfsplit/engine/practice/lesson"
)

func (a *app) practiceScoreCommand() *cobra.Command {
	var passphraseFile, html, answers string
	var asJSON, asCSV, steps bool
	cmd := &cobra.Command{
		Use:   "score CASE...",
		Short: "score the records of students",
		Long: `score reads the records that ` + "`practice run`" + ` wrote, and says of each what was right,
what the bench time was beside the best one, and of every step what it told and
what the best step would have been by what was known before it.

Points, out of 100: 40 for the right parts, 15 for what is wrong with them, 15 for
a board that is repaired, 30 for economy; 10 less for each risky move.

What it prints does not name the answers; --answers writes them on a page of their
own, for the teacher. But the best steps and what was justified after each come
near to it: hand them out when everybody has finished.`,
		Example: `  halfsplit practice score spring/*-ada.yaml --passphrase-file passphrase.txt
  halfsplit practice score spring/case-*-*.yaml --passphrase-file passphrase.txt --html class.html --answers answers.html`,
		Args:              someArguments("a CASE file"),
		ValidArgsFunction: completeYAML,
		RunE: func(_ *cobra.Command, args []string) error {
			s, err := a.screen()
			if err != nil {
				return err
			}
			passphrase, err := readPassphrase(passphraseFile)
			if err != nil {
				return err
			}
			var scores []*lessons.Score
			var keys []*lessons.Answer
			scorer := lessons.NewScorer(passphrase)
			bar := a.progress("scoring")
			for i, file := range args {
				score, answer, err := scorer.Score(file)
				if err != nil {
					bar.clear()
					return err
				}
				scores, keys = append(scores, score), append(keys, answer)
				bar.show(i+1, len(args))
			}
			bar.clear()
			lessons.MarkCopies(scores)
			order := make([]int, len(scores))
			for i := range order {
				order[i] = i
			}
			slices.SortStableFunc(order, func(x, y int) int {
				return cmp.Or(strings.Compare(scores[x].Student, scores[y].Student), strings.Compare(scores[x].Set, scores[y].Set), cmp.Compare(scores[x].Number, scores[y].Number))
			})
			sorted := make([]*lessons.Score, len(scores))
			sheet := map[string]answerRow{}
			for i, k := range order {
				sorted[i] = scores[k]
				row := answerRow{scores[k].Set, scores[k].Number, keys[k]}
				sheet[fmt.Sprintf("%s %6d", row.Set, row.Number)] = row
			}
			class, err := filledPage(classPage, pageOf(sorted))
			if err != nil {
				return err
			}
			key, err := filledPage(answersPage, answerRows(sheet))
			if err != nil {
				return err
			}
			if err := writePages(append([]string{passphraseFile}, args...), outPage{"--html", html, class}, outPage{"--answers", answers, key}); err != nil {
				return err
			}
			switch {
			case asJSON:
				return a.json(struct {
					Scores []*lessons.Score `json:"scores"`
				}{sorted})
			case asCSV:
				return a.scoresCSV(sorted)
			}
			s.scores(sorted, steps || len(sorted) == 1)
			return nil
		},
	}
	flags := cmd.Flags()
	flags.BoolVar(&asJSON, "json", false, "print JSON: times in seconds, null for what is not known")
	flags.BoolVar(&asCSV, "csv", false, "print comma-separated values (RFC 4180), a line for each case")
	flags.BoolVar(&steps, "steps", false, "print every step of every case")
	flags.StringVar(&html, "html", "", "`FILE` for a page to print, without the answers")
	flags.StringVar(&answers, "answers", "", "`FILE` for the answer sheet, a page of its own")
	passphraseFlag(cmd, &passphraseFile)
	return cmd
}

// scores prints the class table and what a teacher would remark.
func (s *screen) scores(list []*lessons.Score, steps bool) {
	var rows [][]cell
	for _, x := range list {
		rows = append(rows, []cell{{name(x.Student), strong}, {fmt.Sprint(x.Number), plain}, {name(x.Level), faint}, {fmt.Sprintf("%.0f", x.Points), strong},
			verdictCell(x), modeCell(x), repairedCell(x), {duration(x.Seconds), plain}, {bestTime(x.Optimum, x.Least), faint}, {justified(x), faint}})
	}
	s.table(0, []column{{head: "student", give: true}, {head: "case", right: true}, {head: "level"}, {head: "points", right: true}, {head: "part"}, {head: "mode"}, {head: "repaired"},
		{head: "time", right: true}, {head: "best", right: true}, {head: "justified", right: true}}, rows)
	s.students(list)
	for _, x := range list {
		s.scoreDetail(x, steps)
	}
}

// saidWords is a student's verdict.
func saidWords(x *lessons.Score) string {
	switch {
	case !x.Closed:
		return "nothing yet"
	case len(x.Said) == 0:
		return "nothing wrong"
	}
	return prose(strings.Join(x.Said, " and ") + "; " + x.Remedy)
}

func verdictCell(x *lessons.Score) cell {
	switch {
	case !x.Closed:
		return cell{"not closed", yellow}
	case x.Part == 1:
		return cell{"right", green}
	case x.Part > 0:
		return cell{"in part", yellow}
	}
	return cell{"wrong", red}
}

// justified is the probability that the readings gave to a verdict, "" before there is
// one.
func justified(x *lessons.Score) string {
	if x.Justified == nil {
		return ""
	}
	return percent(*x.Justified)
}

func modeCell(x *lessons.Score) cell {
	switch {
	case x.Mode == 1:
		return cell{"right", green}
	case x.Mode > 0:
		return cell{"in part", yellow}
	}
	return cell{"no", plain}
}

func repairedCell(x *lessons.Score) cell {
	if x.Repaired {
		return cell{"yes", green}
	}
	return cell{"no", red}
}

// students sums up by student where there are several cases.
func (s *screen) students(list []*lessons.Score) {
	sums := sumsOf(list)
	if len(sums) == len(list) {
		return
	}
	s.heading("STUDENTS", "means over their cases")
	var rows [][]cell
	for _, x := range sums {
		rows = append(rows, []cell{{name(x.Student), strong}, {fmt.Sprint(x.Cases), plain}, {fmt.Sprintf("%.1f", x.Points), strong}, {fmt.Sprint(x.Right), plain}, {duration(x.Seconds), plain}, {duration(x.Lost), plain}, {fmt.Sprint(x.Risky), plain}})
	}
	s.table(0, []column{{head: "student", give: true}, {head: "cases", right: true}, {head: "points", right: true}, {head: "right", right: true}, {head: "time", right: true}, {head: "given away", right: true}, {head: "risky", right: true}}, rows)
}

// studentSum is a student's cases together.
type studentSum struct {
	Student               string
	Cases, Right, Risky   int
	Points, Seconds, Lost float64
}

// sumsOf sums up, best student first.
func sumsOf(list []*lessons.Score) []studentSum {
	by := map[string]*studentSum{}
	var sums []*studentSum
	for _, x := range list {
		m := by[x.Student]
		if m == nil {
			m = &studentSum{Student: x.Student}
			by[x.Student] = m
			sums = append(sums, m)
		}
		m.Cases++
		m.Points += x.Points
		m.Seconds += x.Seconds
		if x.Part == 1 {
			m.Right++
		}
		for _, step := range x.Steps {
			m.Lost += step.Lost
		}
		for _, r := range x.Remarks {
			if r.Kind == lessons.Risky {
				m.Risky++
			}
		}
	}
	out := make([]studentSum, 0, len(sums))
	for _, m := range sums {
		n := float64(m.Cases)
		m.Points, m.Seconds, m.Lost = m.Points/n, m.Seconds/n, m.Lost/n
		out = append(out, *m)
	}
	slices.SortStableFunc(out, func(a, b studentSum) int { return cmp.Compare(b.Points, a.Points) })
	return out
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
	if steps && len(x.Steps) > 0 {
		var rows [][]cell
		for _, t := range x.Steps {
			lost := cell{"", plain}
			if t.Lost >= 1 {
				lost = cell{fmt.Sprintf("%.0f s", t.Lost), yellow}
			}
			rows = append(rows, []cell{{fmt.Sprint(t.Event), faint}, {prose(t.Did), plain}, {fmt.Sprintf("%.0f s", t.Seconds), plain}, {fmt.Sprintf("%.1f → %.1f", t.Before, t.After), plain},
				lost, {name(t.Best), faint}, {posteriorText(t.Posterior), plain}})
		}
		s.table(2, []column{{head: "event", right: true}, {head: "did and saw", give: true}, {head: "cost", right: true}, {head: "bits", right: true}, {head: "lost", right: true}, {head: "best was", give: true}, {head: "then justified", give: true}}, rows)
		s.gap()
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
}

var remarkStyles = map[string]style{lessons.Risky: loud, lessons.Wasteful: yellow, lessons.Lucky: cyan, lessons.Sound: green}

func posteriorText(list []lessons.Posterior) string {
	var words []string
	for _, b := range list[:min(len(list), 2)] {
		words = append(words, name(b.Part)+" "+percent(b.Probability))
	}
	return strings.Join(words, ", ")
}

// safeCSV keeps a spreadsheet from taking a name for a formula.
func safeCSV(text string) string {
	text = name(text)
	if text != "" && strings.ContainsRune("=+-@", rune(text[0])) {
		return "'" + text
	}
	return text
}

func (a *app) scoresCSV(list []*lessons.Score) error {
	w := csv.NewWriter(a.out)
	rows := [][]string{{"student", "set", "case", "lesson", "level", "points", "part", "mode", "repaired", "seconds", "best_seconds", "best_at_least_seconds", "par_seconds", "justified", "lost_seconds", "steps", "wasteful", "risky", "doubts", "record"}}
	number := func(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }
	share := func(v *float64) string {
		if v == nil {
			return ""
		}
		return number(*v, 3)
	}
	for _, x := range list {
		lost, kinds := 0.0, map[string]int{}
		for _, t := range x.Steps {
			lost += t.Lost
		}
		for _, r := range x.Remarks {
			kinds[r.Kind]++
		}
		rows = append(rows, []string{safeCSV(x.Student), safeCSV(x.Set), fmt.Sprint(x.Number), x.Lesson, x.Level, number(x.Points, 1), number(x.Part, 2), number(x.Mode, 2), fmt.Sprint(x.Repaired),
			number(x.Seconds, 0), number(x.Optimum, 0), number(x.Least, 0), number(x.Par, 0), share(x.Justified), number(lost, 0), fmt.Sprint(len(x.Steps)),
			fmt.Sprint(kinds[lessons.Wasteful]), fmt.Sprint(kinds[lessons.Risky]), fmt.Sprint(len(x.Doubts)), safeCSV(x.Record)})
	}
	return w.WriteAll(rows)
}

func (a *app) practiceAnswersCommand() *cobra.Command {
	var passphraseFile, html string
	var asJSON bool
	cmd := &cobra.Command{
		Use:               "answers FILE...",
		Short:             "open the answers of practice files, for the teacher",
		Args:              someArguments("a practice FILE"),
		Example:           `  halfsplit practice answers spring/case-??.yaml --passphrase-file passphrase.txt`,
		ValidArgsFunction: completeYAML,
		RunE: func(_ *cobra.Command, args []string) error {
			s, err := a.screen()
			if err != nil {
				return err
			}
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
				text, err := filledPage(answersPage, answerRows(sheet))
				if err != nil {
					return err
				}
				return writePages(append([]string{passphraseFile}, args...), outPage{"--html", html, text})
			}
			if asJSON {
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
					words += "; comes and goes"
				}
				rows = append(rows, []cell{{fmt.Sprint(r.Number), strong}, {r.Answer.Lesson, faint}, {r.Answer.Level, faint}, {bestTime(r.Answer.Optimum, r.Answer.Least), plain}, {words, plain}})
			}
			s.wrapped(0, rows)
			return nil
		},
	}
	cmd.Flags().StringVar(&html, "html", "", "`FILE` for the answer sheet as a page to print")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON: times in seconds")
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
	var keys []string
	for k := range sheet {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	rows := make([]answerRow, 0, len(keys))
	for _, k := range keys {
		rows = append(rows, sheet[k])
	}
	return rows
}

// filledPage is the text of a page.
func filledPage(page pageTemplate, data any) ([]byte, error) {
	var text bytes.Buffer
	err := page.Execute(&text, data)
	return text.Bytes(), err
}
