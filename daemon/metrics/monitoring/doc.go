// Package monitoring has no code in any program: its tests make the dashboard in
// deploy/grafana from the table of package metrics, and check the rules in
// deploy/prometheus and the words of the guide against it. After a change of panels_test.go
// or of the table run
//
//	go test ./daemon/metrics/monitoring -update
//
// and import the dashboard again.
package monitoring
