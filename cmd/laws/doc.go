// Package laws holds the laws of this repository as tests: what the core may
// not touch, who may import whom, how long a function may be. They read the
// source, need no server and take about a second.
package laws
