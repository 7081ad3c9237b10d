// Package testdata holds the demonstration that comes with the program: the
// board file of an invented handheld parcel terminal, sweeps of good boards, and
// cases to solve. What is wrong in each case is kept beside them, in demo/answers,
// and not in here.
package testdata

import "embed"

// Demo holds demo/board.yaml, demo/known and demo/cases.
//
//go:embed demo/board.yaml demo/known/*.yaml demo/cases/*.yaml
var Demo embed.FS
