// Package testdata holds what comes with the program: the demonstration, which is the
// board file of an invented handheld parcel terminal, sweeps of good boards and cases to
// solve; and the course of practice lessons. What is wrong in each case of the
// demonstration is kept beside them, in demo/answers, and not in here.
package testdata

import "embed"

// Demo holds demo/board.yaml, its layout, demo/known and demo/cases.
//
//go:embed demo/board.yaml demo/board.kicad_pcb demo/known/*.yaml demo/cases/*.yaml
var Demo embed.FS

// Lessons holds the folder lessons, whole.
//
//go:embed lessons
var Lessons embed.FS
