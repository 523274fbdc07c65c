package draw

import "facetd.example/bus"

// PhaseColour is how a phase of the bus is drawn, on light and on dark ground.
type PhaseColour struct{ Name, Light, Dark string }

// PhaseColours is the one palette of the phases, by facetdv1.Phase: for drawings here, and for the
// page, whose tokens a test compares with it. The colours were searched for by the least difference
// of any two in the eyes of normal and of colour-blind readers, since a bar of a timetable shows them
// side by side without labels.
var PhaseColours = [bus.NumPhases]PhaseColour{
	{"other", "#8b949e", "#6e7781"},
	{"select", "#545a66", "#d3e0ea"},
	{"write", "#a846ed", "#a246ee"},
	{"load", "#3d0d9e", "#7aaff7"},
	{"share", "#528a83", "#108585"},
	{"settle", "#5b3106", "#f4ad38"},
	{"convert", "#d65c1a", "#ee140c"},
}
