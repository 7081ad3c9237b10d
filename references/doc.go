// Package references keeps what is known of boards that work: the sweeps that
// people took on good boards, the meters they took them with, and what those
// readings say about the next good board.
//
// Start with LoadLibrary, which reads a folder of sweep files, and ask
// Library.At for the readings of one point. Predict turns readings into a
// distribution for the next good board; Library.Check looks for sweeps that
// were taken with the probes swapped, a pin too far along, or with a meter that
// has drifted.
//
// Voltages are in volts, currents in amperes, resistances in ohms throughout.
package references
