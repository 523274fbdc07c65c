package server

import (
	"context"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/daemon/bringup"
	"facetd.example/daemon/config"
	"facetd.example/daemon/probe"
	"facetd.example/daemon/probe/diagnosis"
)

// bringup makes the service of guided bring-up of what is probed.
func (s *Server) bringup(in *inputs, probed *probe.Config, probes *probe.Service) *bringup.Service {
	service, err := bringup.New(bringup.Config{
		Array: s.array, ArrayName: s.cfg.patched(in.arrayName), ArrayFile: in.arrayData, Runner: probed.Runner,
		Light: s.light, Now: s.bus.Now,
		Data: s.cfg.Data, Modes: s.cfg.DataModes(), Version: s.cfg.Version, Refused: probed.Refused,
		Claim: s.claim, Logger: s.log.Named("bringup"), Events: s.keeping.journal.Sink(),
		Probe: func(ctx context.Context, progress func(*facetdv1.ProbeProgress) error) (*facetdv1.ProbeResult, error) {
			return probes.Probe(ctx, diagnosis.Options{Thorough: true}, progress)
		},
	})
	if err != nil {
		s.log.Warn("runs of bring-up that cannot be read", zap.Error(err))
	}
	return service
}

// patched is the file that a patch of the array description is for. The demo array is
// built in under a name that is no file's: the patch fits the file that it was built from.
func (c *Setup) patched(name string) string {
	if c.Array == config.Demo {
		return "array.yaml"
	}
	return name
}

// loadGroundTruth reads how a virtual array really is.
func (c *Setup) loadGroundTruth(described *chipmodel.Array) (*groundtruth.Set, invalid.Errors) {
	var m invalid.Errors
	data, err := c.readFile(c.GroundTruth)
	if err != nil {
		m.Add("ground-truth", err.Error(), "")
		return nil, m
	}
	var groundTruth *groundtruth.Set
	m = arrayfile.ParseGroundTruth(c.GroundTruth, data, func(msg *facetdv1.GroundTruth) (wrong invalid.Errors) {
		groundTruth, wrong = groundtruth.Of(described, msg)
		return wrong
	})
	return groundTruth, m
}
