package fouling

// Growth gives the tests the curve of a law.
var Growth = growth
