// Package deploy carries the example arrays and tasks, so that the binaries have
// them without files.
package deploy

import _ "embed" // for the examples

// CrawlerArray is the demo array, as YAML.
//
//go:embed examples/crawler/array.yaml
var CrawlerArray []byte

// CrawlerTasks are the demo's tasks, as YAML.
//
//go:embed examples/crawler/tasks.yaml
var CrawlerTasks []byte
