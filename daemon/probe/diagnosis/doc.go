// Package diagnosis finds faults of the select lines on a live array: lines that are stuck or swapped, inputs that are
// open or shorted, dead chips, open lanes, saturated converters.
//
// Each experiment enables the outputs of the chips that listen under one select word, and then reads out the lanes
// under another: a lane leaves its idle level exactly when a chip that listened under the first word listens under the
// second as well. Nothing else is used, and never the picture: the probe must work under any light, and before anything
// is calibrated.
//
// Two kinds of statements follow, and are told apart. Whether a chip answers to its own select word is measured: every
// word of a single chip is sampled once, outputs enabled and read out under it. Which faults are there is inferred:
// they are those that explain everything seen, under the premise that there are no more than two. Explanations that
// show the same are one of several, never a likeliest one; a fault is certain where every explanation has it; and
// where no fault is needed, those that would show the same cannot be excluded. Measurements by hand tell apart what
// readouts cannot.
//
// The planner keeps every fault that explains what was seen. It makes an experiment only when, under each of those
// faults and under the wiring as described, at most one chip of a lane is enabled: nothing that is selected afterwards
// can then make two chips drive one lane. Lines are first tried in words that reach no chip of a fault-free array, so
// that a line that is stuck active shows before it can do harm.
//
// Some risk cannot be avoided: where two chips of a lane differ in one line each, one of two shorts makes both drive,
// whichever chip is enabled first. Such a risk is run for one register write, announced in the experiment, and only for
// more faults than the simplest explanation needs: for a single one while the array may be fault-free, for a second one
// while a single one explains everything. Own words are sampled under the same condition; as one readout is what has to
// be seen, chips that drive a lane together then do so for that readout as well, as they would in every frame. The
// result lists experiments that would tell more and were not made, and chips that were not sampled with the reason.
//
// Which faults safe experiments can tell apart does not depend on their order. Suppose one course of them separates two
// faults, and another course ends with both still possible and no safe experiment that splits what remains. The
// remainder of the second is inside the first course's starting set. The first course's experiments are safe for it one
// after another, since what is safe for a set of faults is safe for a part of it, and none splits it; so they cannot
// have separated the two faults. The classes of faults that no safe experiment can tell apart are therefore well
// defined, and every planner that goes on until nothing splits ends in the same ones.
//
// The package is pure: experiments compile to operations that others run.
package diagnosis
