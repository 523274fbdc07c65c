// Package bus is the boundary between plans and hardware: programs of bus operations with exact durations, what comes
// back from them, and the interface of a bus. Package rules judges streams of operations.
//
// # A bus is an executor with its own clock
//
// What runs programs may be far away: a microcontroller behind a link, with a clock, a queue and a store of its own. So
// nothing is run by a call that waits for it. The owner of a bus, one goroutine,
//
//   - prepares programs, once, by Prepare: they are checked, costed and, where the executor is far away, uploaded;
//   - submits segments, each one run of a prepared program at a bus time, by Submit: Limits.LeastLead before that time
//     at the latest, in the order of their starts, and not more than Limits.Queue at once;
//   - takes one result for each of them, in the order in which they were submitted, from Next;
//   - may take back by Cancel what has not begun, and make every line inactive by Release.
//
// The simulated bus is such an executor with lead 0 and a queue of one: a segment is submitted when its time has come,
// and runs within Next, on the goroutine of the owner. It costs no goroutine, channel or copy.
//
// # What becomes of a segment
//
// Exactly one of three things, said by its Result:
//
//   - It ran whole: Err is nil, and every operation ran at the time that the executor measured. It may have ended later
//     than planned: whether a job is late is for its deadline and Result.End to say, and a late job is not a failed
//     one.
//   - It was refused: Err is a *RefusedError, and nothing of it was executed. That is what becomes of a segment that
//     reaches its executor later than LeastLead before its start: it is never run in part, and never later. The error
//     says the planned time, the time of the executor, and whose fault it was.
//   - It broke off: any other error. Its first Result.Ran operations ran, the next one may have, none after it did,
//     and every line is inactive. What the chips that it touches hold is not known afterwards: registers are to be
//     written again, loads are void.
//
// When a segment is refused or breaks off, everything that was submitted before its result was taken from Next is
// refused as well, with the cause Recalled: what follows may rely on what did not happen, and an executor far away is
// faster than the news. The owner submits again what may run all the same.
//
// # A bus that is lost
//
// When the link to the executor is cut for longer than its lease, or the executor begins anew, an error comes from
// Lost; what was submitted fails with a *LostError, and so does every Submit, until Prepare succeeds: nobody can submit
// who does not know that every register is at an unknown value and every load void. Once its host is lost an executor
// makes every line inactive by itself, within Limits.Lease and then Limits.Release.
//
// The package itself is pure; goroutines and clocks belong to the drivers, such as bus/virtual.
package bus
