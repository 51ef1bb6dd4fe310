// Package grafana keeps the Grafana dashboards that go with the program. The
// JSON files are written by its tests:
//
//	go test ./deploy/grafana -update
package grafana
