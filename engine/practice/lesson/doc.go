// Package lesson makes practice cases for teaching, lets a student work on them,
// and scores the record of that work.
//
// In most cases:
//
//	class, err := lesson.Make(lesson.Order{Board: b, Lesson: "shorts", Count: 24, Seed: 1, Passphrase: passphrase})
//	err = class.Write("spring")
//
//	d, err := lesson.Begin("spring/case-01.yaml", "spring/ada-01.yaml", "Ada")
//	r, err := d.Read("P1.3", "", references.RedOnGround, false)
//	err = d.Close("C3 shorted", "leave off")
//
//	s, err := lesson.NewScorer(passphrase).Score("spring/ada-01.yaml")
//
// Make draws boards of one type, each with something wrong that shows, and lets
// the engine's own policy play every case to its end, to see how hard it is. A
// practice file holds the board for the student's bench and the answer
// for the teacher, both encrypted; see the comment of File for what that protects
// against and what not.
//
// A Session is the student's bench: a board and a meter, and a record to which
// every action and reading is written before it is shown. All that a session shows
// follows from the practice file and the record, so that a record can be checked
// against the bench that it claims to come from.
//
// Score reads such a record and says, for every step, what it showed, what the
// best step would have been, and what posterior was justified, by the engine's
// judgement of what had been read up to there.
package lesson
