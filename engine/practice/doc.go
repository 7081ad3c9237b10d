// Package practice makes boards to practise on: boards whose every junction,
// resistor and fault is known, so that what halfsplit says of them can be held
// against the truth.
//
// A simulator that made the cases and also diagnosed them would prove little.
// So a practice board differs from what the engine assumes in everything that
// real boards differ in: other junction drops and slopes, tolerance,
// temperature, loads that no board file shows, and a meter that is not quite
// what its data sheet says.
//
// The order of things: a Truth is what a board type really is. A Board is one
// board of that type, perhaps with faults. A Simulator is a Board with a meter, and
// answers what a technician may ask of it.
//
// Everything is drawn from seeds and comes out the same each time.
package practice
