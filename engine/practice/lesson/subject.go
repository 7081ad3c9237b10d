package lesson

import (
	"fmt"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/netlist/document"
)

// Subject is what the cases of a lesson are about.
type Subject struct {
	Name string
	Goal string // what a student learns, in one sentence

	faults  int     // on a board
	good    float64 // share of cases in which nothing is wrong
	flicker float64 // share of readings in which the fault is not there
	lures   int     // good parts that look bad; the bad one then looks clean
	modes   []fault.Mode
}

var paths = []fault.Mode{fault.Shorted, fault.ToSupply}
var breaks = []fault.Mode{fault.Open, fault.OpenJoint, fault.BrokenTrace, fault.Missing, fault.High, fault.HighJoint, fault.HighTrace}
var gaps = []fault.Mode{fault.Bridged, fault.Leakage}

// subjects, in the order in which they are best taught. How often a fault
// flickers, and how many good boards come in, is common practice, no source.
var subjects = []Subject{
	{Name: "shorts", Goal: "The millivolts of a short tell how far away it is.", faults: 1, modes: paths},
	{Name: "opens", Goal: "OL on one side of a part and a good reading on the other: the break is between.", faults: 1, modes: breaks},
	{Name: "leaks", Goal: "A reading that is low and not zero has a value, and the value fits some parts only.", faults: 1, modes: []fault.Mode{fault.Leaky}},
	{Name: "bridges", Goal: "Two neighbouring pins that read alike and should not.", faults: 1, modes: gaps},
	{Name: "two-faults", Goal: "After a repair everything is read again: there may be a second fault.", faults: 2},
	{Name: "intermittents", Goal: "A fault that comes and goes is not disproved by one good reading.", faults: 1, flicker: 0.3, modes: breaks},
	{Name: "misleading-looks", Goal: "A mark under the microscope makes a part likelier, not guilty.", faults: 1, lures: 2},
	{Name: "no-fault", Goal: "On half of the boards nothing is wrong on these lines: they are left alone, and said to be good.", faults: 1, good: 0.5},
}

// Mixed is the name of a set of all subjects in turn.
const Mixed = "mixed"

// Subjects lists what lessons can be about.
func Subjects() []Subject { return append([]Subject(nil), subjects...) }

// SubjectNames lists the names that Make takes.
func SubjectNames() []string {
	names := []string{Mixed}
	for _, s := range subjects {
		names = append(names, s.Name)
	}
	return names
}

// subjectsOf gives the subjects of a lesson's name.
func subjectsOf(name string) ([]Subject, error) {
	if name == Mixed {
		return subjects, nil
	}
	for i := range subjects {
		if subjects[i].Name == name {
			return subjects[i : i+1], nil
		}
	}
	return nil, fmt.Errorf("there is no lesson %s; %s", document.Quote(name), document.Suggest(name, SubjectNames(), "the lessons are "+strings.Join(SubjectNames(), ", ")))
}
