package program

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// A task reads chips of one class: its jobs have one program, with one way of loading and reading. Tasks of one rate
// are released at the same instants, so that one task for each class does what a mixed one would. Sporadic ones are
// not: each has triggers and reservations of its own.

// mixed refuses a task whose chips are of several classes, and says how to write it as tasks, ready to be added, that
// are released together unless they are sporadic.
func (c *checker) mixed(path string, spec *facetdv1.Task, chips []int) {
	first := &c.a.Chips[chips[0]]
	i := slices.IndexFunc(chips, func(chip int) bool { return c.a.Chips[chip].Class != first.Class })
	other := &c.a.Chips[chips[i]]
	text, err := c.apart(spec, chips)
	hint := "make one task for each class"
	if err == nil {
		if spec.GetLeastInterval() != nil {
			hint += ", and trigger each: their jobs are not released together: " + text
		} else {
			hint += ": tasks of one rate are released together: " + text
		}
	}
	c.addf(path, hint, "the chips are of several classes: %q is a %s, %q a %s", first.Name, first.Class.Name,
		other.Name,
		other.Class.Name)
}

// apart is a task as one for each class of its chips, as a file of tasks in JSON on one line.
func (c *checker) apart(spec *facetdv1.Task, chips []int) (string, error) {
	var list facetdv1.TaskList
	byClass := map[string]*facetdv1.ChipList{}
	for _, chip := range chips {
		class := c.a.Chips[chip].Class
		names := byClass[class.Name]
		if names == nil {
			names = &facetdv1.ChipList{}
			byClass[class.Name] = names
			t := proto.CloneOf(spec)
			t.Name = partName(spec.GetName(), class.Name)
			t.Target = &facetdv1.Target{Chips: &facetdv1.Target_List{List: names}}
			if !class.HasMemory() {
				t.MaxHold = nil
			}
			list.Tasks = append(list.Tasks, t)
		}
		names.Names = append(names.Names, c.a.Chips[chip].Name)
	}
	raw, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(&list)
	if err != nil {
		return "", err
	}
	var out bytes.Buffer
	if err := json.Compact(&out, raw); err != nil { // protojson spaces its output at random
		return "", err
	}
	return out.String(), nil
}

// partName is the name of the part of a task that reads one class.
func partName(task, class string) string {
	name := fmt.Sprintf("%s-%s", task, strings.ReplaceAll(class, " ", "-"))
	if len(name) > maxNameBytes {
		name = name[len(name)-maxNameBytes:]
	}
	return name
}
