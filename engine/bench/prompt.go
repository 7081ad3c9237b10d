package bench

import (
	"fmt"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/powerup"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Ask is what a session asks for.
type Ask uint8

// What is asked for.
const (
	AskCautions    Ask = iota // to read cautions and say yes
	AskFirstLook              // which parts look bad, before the first reading
	AskConnector              // which connector to sweep first
	AskReading                // a reading
	AskInspect                // what a part looks like
	AskUndrawn                // what stands along a net and is not drawn
	AskInjection              // which parts warm up
	AskSwap                   // whether a known-good cable or module ends the complaint
	AskDrop                   // millivolts along a rail under current
	AskRemove                 // to take a part off
	AskRemedy                 // to do a repair
	AskReinstall              // to put a part back
	AskMark                   // which way round a part sits, by its mark
	AskPowerBefore            // the current drawn before the power button is pressed
	AskPowerAfter             // the current drawn after it
	AskFunction               // whether a function of the board works under power
	AskClose                  // to close the case
	AskNothing                // nothing is wrong here: where else to look
	AskImplausible            // to take back readings that are not those of the board
	AskStuck                  // every step was skipped, or none could be worked out
	AskEscalate               // no step tells more: to close the case as escalated
	Closed                    // the case is closed; nothing is asked
)

// Purpose is what a reading is for.
type Purpose uint8

// Purposes.
const (
	ForSweep   Purpose = iota // of a connector
	ForAgain                  // the reading before was an outlier
	ForStep                   // to tell suspects apart
	ForRemoved                // both sides of a removed part
	ForProof                  // to prove a repair
	ForPowerUp                // so that power may go on
	ForChosen                 // the technician chose the point
)

// Prompt is what a session asks for next, with all that is needed to ask it.
type Prompt struct {
	Ask Ask

	// Of AskReading.
	Purpose  Purpose
	At       diagnose.Spot
	Name     string               // of the point
	Ohms     bool                 // the resistance is wanted
	To       *netlist.Point       // the point of the other lead; nil for ground
	Predict  diagnose.Prediction  // what a good board shows, as this one lies
	Outlier  *diagnose.Comparison // of ForAgain: the reading that was an outlier
	Settling float64              // seconds to wait for capacitors to charge; 0 where that is not worth a word

	// Of a sweep.
	Connector netlist.ConnectorID
	Pin       int   // index
	Then      []int // indices of those that follow, in order
	Done, Of  int   // pins that have been read or skipped, and all that are to be

	Part       netlist.PartID    // of AskInspect (None for a pin), AskRemove, AskReinstall, AskMark
	Function   string            // of AskFunction
	Without    []string          // of AskFunction: parts off the board without which it is expected to fail
	Step       *repair.Step      // of what the diagnosis asks for
	Diagnosis  *repair.Diagnosis // nil before anything was read
	Cautions   []Caution         // of AskCautions
	Connectors []string          // of AskConnector and AskNothing: those not yet swept
	PowerUp    *powerup.Answer   // once something was reworked
	Wrong      string            // of AskStuck: why no step could be worked out; "" where there is none
	Cause      string            // of AskClose: what the record says
	Remedy     string
}

// Reply is what an entry meant.
type Reply struct {
	Recorded []int // numbers of the events that were written
	Says     []string

	Readings []diagnose.Comparison // what was read
	Outlier  bool                  // some of it is not accepted yet: the session asks for it again

	Show Show
	Quit bool
}

// Show is what the user wants to see.
type Show uint8

// What can be shown.
const (
	ShowNothing Show = iota
	ShowHelp
	ShowWhy   // the diagnosis
	ShowSteps // the steps on offer
	ShowPowerUp
	ShowCase // what was read so far
	ShowNext // what is asked for, in full
)

// swapped is the other polarity.
func swapped(p references.Polarity) references.Polarity {
	if p == references.RedOnGround {
		return references.BlackOnGround
	}
	return references.RedOnGround
}

// wrongEntry is an entry that cannot be meant here.
func wrongEntry(what, do string, args ...any) error {
	return fmt.Errorf("%s; %s", fmt.Sprintf(what, args...), do)
}

// Chooses tells whether a step may be chosen; the error says what to do first. The next
// reading of a sweep may change the steps, and a choice would be lost unsaid.
func (p *Prompt) Chooses() error {
	switch {
	case p.Ask != AskReading:
	case p.Purpose == ForSweep:
		return wrongEntry("a step cannot be chosen before this reading", "enter it, or d to end the sweep, then choose")
	case p.Purpose == ForAgain:
		return wrongEntry("a step cannot be chosen before this reading", "enter it, or y to accept the first, then choose")
	}
	return nil
}

// otherLead says where the red probe stands.
func (p *Prompt) otherLead(b *netlist.Board) string {
	if p.To != nil {
		return "red probe on " + b.PointName(*p.To)
	}
	return "red probe on ground"
}
