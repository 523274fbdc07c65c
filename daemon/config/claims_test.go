package config_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"facetd.example/daemon/access"
)

// TestWhatOperatorsMay: the reference names what every method changes or takes bus time for that takes an operator, and
// of a viewer it names what the services show.
func TestWhatOperatorsMay(t *testing.T) {
	reference, err := os.ReadFile(configDoc)
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(strings.Join(strings.Fields(string(reference)), " "),
		"The role viewer reads everything: ")
	viewer, rest, _ := strings.Cut(after, "The role operator also changes things and takes bus time: ")
	operator, _, found := strings.Cut(rest, ".")
	if !found {
		t.Fatal("the reference does not say what the roles may do")
	}
	may := map[string]string{
		"TaskService": "tasks", "FrameService": "captures", "CommandService": "commands",
		"SafeStopService": "safe stops", "ProbeService": "probes", "FaultService": "faults",
		"SceneService": "light and temperature", "CalibrationService": "calibrations and correction maps",
		"BringupService": "runs of bring-up", "RecordService": "recordings", "ReplayService": "replays",
		"LockstepService": "lockstep", "HealthService": "findings of health", "DeviceService": "self-tests of a device",
	}
	sees := map[string]string{"ArrayService": "the array", "TaskService": "tasks", "PlanService": "plans",
		"FrameService": "frames", "StatusService": "status", "EventService": "events"}
	operators := map[string]bool{}
	protoregistry.GlobalFiles.RangeFilesByPackage("facetd.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			name := string(service.Name())
			for j := range service.Methods().Len() {
				method := "/" + string(service.FullName()) + "/" + string(service.Methods().Get(j).Name())
				if role, _ := access.MethodRole(method); role == access.Operator {
					operators[name] = true
					if word := may[name]; word == "" || !strings.Contains(operator, word) {
						t.Errorf("%s takes an operator, and the reference does not say %q among %q", method, word,
							operator)
					}
				}
			}
		}
		return true
	})
	for name := range may {
		if !operators[name] {
			t.Errorf("no method of %s takes an operator", name)
		}
	}
	for name, word := range sees {
		if !strings.Contains(viewer, word) {
			t.Errorf("the reference does not say that a viewer sees %q, which %s shows: %q", word, name, viewer)
		}
	}
}

// TestWhatTheDataFolderHolds: for every folder that the daemon makes in its data folder the reference says what is
// there.
func TestWhatTheDataFolderHolds(t *testing.T) {
	reference, err := os.ReadFile(configDoc)
	if err != nil {
		t.Fatal(err)
	}
	var row string
	for _, line := range strings.Split(string(reference), "\n") {
		if strings.HasPrefix(line, "| `data` |") {
			row = line
		}
	}
	holds := map[string]string{"events": "its journal of events", "recordings": "recordings",
		"correction-maps": "correction maps", "bringup": "runs of bring-up", "tasks": "the tasks that were made",
		"stop": "a safe stop"}
	folder := regexp.MustCompile(`filepath\.Join\(s\.cfg\.Data, "([^"]+)"`)
	found := map[string]bool{}
	err = filepath.WalkDir("..", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(name) != ".go" || strings.HasSuffix(name, "_test.go") {
			return err
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		for _, m := range folder.FindAllStringSubmatch(string(text), -1) {
			found[m[1]] = true
			if word := holds[m[1]]; word == "" || !strings.Contains(row, word) {
				t.Errorf("%s: of the folder %s the reference does not say %q: %s", name, m[1], word, row)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for name := range holds {
		if !found[name] {
			t.Errorf("nothing makes the folder %s: is it looked for as it is made?", name)
		}
	}
}
