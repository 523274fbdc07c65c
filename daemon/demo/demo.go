// Package demo is what facetd runs when it is given no array: the embedded
// crawler array with its tasks.
package demo

import (
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

// Array returns the embedded array. An error means that the binary was built
// from a broken example.
func Array() (*chipmodel.Array, error) {
	a, m := arrayfile.ParseArray("demo array.yaml", deploy.CrawlerArray)
	if len(m) > 0 {
		return nil, fmt.Errorf("embedded array: %w", m)
	}
	return a, nil
}

// Tasks returns the embedded tasks.
func Tasks() ([]*facetdv1.Task, error) {
	tasks, m := arrayfile.ParseTasks("demo tasks.yaml", deploy.CrawlerTasks, nil)
	if len(m) > 0 {
		return nil, fmt.Errorf("embedded tasks: %w", m)
	}
	return tasks, nil
}
