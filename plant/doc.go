// Package plant is the vocabulary of Calandria: equipment, tags, points,
// frames, events, units, and the configuration that describes one boiling
// house. Every other package speaks in these words; this one imports none of
// them and does no input or output.
//
// Inside the program each physical quantity has one unit (see [Dimension]);
// other units, and gauge or vacuum pressures, exist only at the edges.
package plant
