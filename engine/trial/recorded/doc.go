// Package recorded holds practice boards whose readings were computed by ngspice, which
// shares no line with the engine's solver: the demo (LoadDemo) and the trials
// (LoadTrials). Its Simulator answers from the recording and may have a Drawing, which
// lacks what people leave out of a board file. It is for tests alone.
package recorded
