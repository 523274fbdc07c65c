package rules

// Judged is Judge, which may end early or not, and whether it did.
var Judged = judged
