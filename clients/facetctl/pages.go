package main

import (
	"context"
	"errors"

	facetdv1 "facetd.example/api/facetd/v1"
)

// everyPage asks for one page after the other.
func everyPage(ask func(token string) (next string, err error)) error {
	for token := ""; ; {
		next, err := ask(token)
		if err != nil || next == "" {
			return err
		}
		token = next
	}
}

// changeTries is how often a list is read again that changed while it was read.
const changeTries = 5

var errKeepsChanging = errors.New("the tasks change again and again while they are read")

// allTasks are the tasks at one instant.
func allTasks(ctx context.Context, c *client) (*facetdv1.ListTasksResponse, error) {
	for range changeTries {
		all, changed := &facetdv1.ListTasksResponse{}, false
		err := everyPage(func(token string) (string, error) {
			r, err := c.tasks.ListTasks(ctx, &facetdv1.ListTasksRequest{PageToken: token})
			changed = token != "" && (err != nil || r.GetRevision() != all.GetRevision())
			if err != nil || changed {
				return "", err
			}
			all.Tasks, all.Revision = append(all.Tasks, r.GetTasks()...), r.GetRevision()
			return r.GetNextPageToken(), nil
		})
		if err != nil && (!changed || ctx.Err() != nil) {
			return nil, err
		}
		if !changed {
			return all, nil
		}
	}
	return nil, errKeepsChanging
}

func allMaps(ctx context.Context, c *client, chip string) (*facetdv1.ListCorrectionMapsResponse, error) {
	all := &facetdv1.ListCorrectionMapsResponse{}
	err := everyPage(func(token string) (string, error) {
		r, err := c.calibration.ListCorrectionMaps(ctx,
			&facetdv1.ListCorrectionMapsRequest{Chip: chip, PageToken: token})
		all.CorrectionMaps = append(all.CorrectionMaps, r.GetCorrectionMaps()...)
		all.Refused, all.Stored, all.MaxAge = r.GetRefused(), r.GetStored(), r.GetMaxAge()
		return r.GetNextPageToken(), err
	})
	return all, err
}

func allSessions(ctx context.Context, c *client) (*facetdv1.ListCalibrationsResponse, error) {
	all := &facetdv1.ListCalibrationsResponse{}
	err := everyPage(func(token string) (string, error) {
		r, err := c.calibration.ListCalibrations(ctx, &facetdv1.ListCalibrationsRequest{PageToken: token})
		all.Sessions = append(all.Sessions, r.GetSessions()...)
		return r.GetNextPageToken(), err
	})
	return all, err
}

func allBringups(ctx context.Context, c *client) (*facetdv1.ListBringupsResponse, error) {
	all := &facetdv1.ListBringupsResponse{}
	err := everyPage(func(token string) (string, error) {
		r, err := c.bringup.ListBringups(ctx, &facetdv1.ListBringupsRequest{PageToken: token})
		all.Runs = append(all.Runs, r.GetRuns()...)
		return r.GetNextPageToken(), err
	})
	return all, err
}
