// Package access decides who may ask what of the daemon.
//
// A Unix socket is guarded by its file's mode and stays free; loopback addresses are
// free unless the configuration says otherwise. Any other address speaks TLS 1.3 and
// wants a client certificate or a bearer token (RFC 6750) with every call. There are
// two rights: to look, and to operate, which includes looking; Methods says which one
// a method takes.
//
// Certificates, their revocation list and tokens can be read anew while the daemon runs
// (Gate.Prepare): calls that begin later are judged by the new ones at
// once, also on connections that were there before, and streams that were open end
// within EndOfStreamLimit when what opened them no longer counts.
//
// Nothing here can stop the bus: what cannot be judged (a revocation list out of date,
// a certificate that has expired) is refused at the door, and the robot goes on.
package access

import (
	"fmt"
	"time"

	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/reflection/grpc_reflection_v1alpha"

	facetdv1 "facetd.example/api/facetd/v1"
)

// EndOfStreamLimit bounds how long a stream goes on after its token or certificate was
// taken away with a reload, or has expired.
const EndOfStreamLimit = 3 * time.Second

// Right is what a caller may do.
type Right int

// The rights; a greater one includes the smaller.
const (
	Nothing Right = iota
	// Look is to read the array, tasks, plans, frames, status, events and metrics.
	Look
	// Operate is to change any of them, and to take bus time.
	Operate
)

// String is the right as the configuration and the token file write it.
func (r Right) String() string {
	switch r {
	case Look:
		return "look"
	case Operate:
		return "operate"
	}
	return "nothing"
}

// ParseRight reads look or operate.
func ParseRight(s string) (Right, error) {
	switch s {
	case "look":
		return Look, nil
	case "operate":
		return Operate, nil
	}
	return Nothing, fmt.Errorf("%q is not a right; use look or operate", s)
}

// methods is the right that every method takes. One that is missing here takes
// Operate, and fails a test of package server.
var methods = map[string]Right{
	facetdv1.ArrayService_GetArray_FullMethodName:     Look,
	facetdv1.ArrayService_ComputeReach_FullMethodName: Look,
	facetdv1.ArrayService_ComputeCover_FullMethodName: Look,

	facetdv1.BringupService_ListBringups_FullMethodName:  Look,
	facetdv1.BringupService_GetBringup_FullMethodName:    Look,
	facetdv1.BringupService_StartBringup_FullMethodName:  Operate, // takes bus time
	facetdv1.BringupService_ResumeBringup_FullMethodName: Operate,
	facetdv1.BringupService_AnswerBringup_FullMethodName: Operate,

	facetdv1.CalibrationService_GetCalibration_FullMethodName:      Look,
	facetdv1.CalibrationService_ListCalibrations_FullMethodName:    Look,
	facetdv1.CalibrationService_ListCorrectionMaps_FullMethodName:  Look,
	facetdv1.CalibrationService_GetCorrectionMap_FullMethodName:    Look,
	facetdv1.CalibrationService_StartCalibration_FullMethodName:    Operate,
	facetdv1.CalibrationService_CollectLevel_FullMethodName:        Operate,
	facetdv1.CalibrationService_FinishCalibration_FullMethodName:   Operate,
	facetdv1.CalibrationService_AbortCalibration_FullMethodName:    Operate,
	facetdv1.CalibrationService_DeleteCorrectionMap_FullMethodName: Operate,
	facetdv1.CalibrationService_UpdateOffsets_FullMethodName:       Operate,

	facetdv1.CommandService_SendCommand_FullMethodName: Operate,

	facetdv1.EventService_ListEvents_FullMethodName:   Look,
	facetdv1.EventService_StreamEvents_FullMethodName: Look,

	facetdv1.FaultService_ListFaults_FullMethodName:  Look,
	facetdv1.FaultService_SetFaults_FullMethodName:   Operate,
	facetdv1.FaultService_ClearFaults_FullMethodName: Operate,

	facetdv1.FrameService_StreamFrameSets_FullMethodName: Look,
	facetdv1.FrameService_CaptureFrames_FullMethodName:   Operate, // takes bus time

	facetdv1.PlanService_GetPlan_FullMethodName:     Look,
	facetdv1.PlanService_PreviewPlan_FullMethodName: Look, // plans, and changes nothing

	facetdv1.ProbeService_ProbeSelects_FullMethodName: Operate, // takes bus time

	facetdv1.RecordService_GetRecording_FullMethodName:   Look,
	facetdv1.RecordService_ListRecordings_FullMethodName: Look,
	facetdv1.RecordService_StartRecording_FullMethodName: Operate,
	facetdv1.RecordService_StopRecording_FullMethodName:  Operate,

	facetdv1.ReplayService_GetReplay_FullMethodName:    Look,
	facetdv1.ReplayService_PauseReplay_FullMethodName:  Operate,
	facetdv1.ReplayService_ResumeReplay_FullMethodName: Operate,
	facetdv1.ReplayService_StepReplay_FullMethodName:   Operate,
	facetdv1.ReplayService_SeekReplay_FullMethodName:   Operate,

	facetdv1.SceneService_GetScene_FullMethodName: Look,
	facetdv1.SceneService_SetScene_FullMethodName: Operate,

	facetdv1.StatusService_GetStatus_FullMethodName:   Look,
	facetdv1.StatusService_WatchStatus_FullMethodName: Look,

	facetdv1.TaskService_ListTasks_FullMethodName:  Look,
	facetdv1.TaskService_GetTask_FullMethodName:    Look,
	facetdv1.TaskService_CreateTask_FullMethodName: Operate,
	facetdv1.TaskService_UpdateTask_FullMethodName: Operate,
	facetdv1.TaskService_DeleteTask_FullMethodName: Operate,

	// Health and the schema tell what runs here: strangers learn neither. A probe on
	// the machine itself uses a loopback address or the socket.
	grpc_health_v1.Health_Check_FullMethodName: Look,
	grpc_health_v1.Health_List_FullMethodName:  Look,
	grpc_health_v1.Health_Watch_FullMethodName: Look,

	grpc_reflection_v1.ServerReflection_ServerReflectionInfo_FullMethodName:      Look,
	grpc_reflection_v1alpha.ServerReflection_ServerReflectionInfo_FullMethodName: Look,
}

// MethodRight returns the right that a method takes, by its full name such as
// /facetd.v1.TaskService/ListTasks. listed is false for one that nobody thought of: it
// takes Operate.
func MethodRight(fullMethod string) (right Right, listed bool) {
	if right, listed = methods[fullMethod]; listed {
		return right, true
	}
	return Operate, false
}

// Methods lists the methods that MethodRight knows.
func Methods() []string {
	var names []string
	for name := range methods {
		names = append(names, name)
	}
	return names
}

// Reason says why somebody was refused; it is a label of the metrics.
type Reason string

// The reasons.
const (
	NoCredentials          Reason = "no_credentials"
	TokenMalformed         Reason = "token_malformed"
	TokenUnknown           Reason = "token_unknown" // wrong, or taken out of the file
	TokenExpired           Reason = "token_expired"
	CertificateUntrusted   Reason = "certificate_untrusted"
	CertificateExpired     Reason = "certificate_expired"
	CertificateNotYetValid Reason = "certificate_not_yet_valid"
	CertificateRevoked     Reason = "certificate_revoked"
	CertificateUnlisted    Reason = "certificate_unlisted" // its name has no right
	RevocationsStale       Reason = "revocations_stale"    // nobody knows what is revoked
	MissingRight           Reason = "missing_right"
	ForeignHost            Reason = "foreign_host"
	ForeignOrigin          Reason = "foreign_origin"
	TooManyConnections     Reason = "too_many_connections"
)

// Reasons are all of them.
func Reasons() []Reason {
	return []Reason{NoCredentials, TokenMalformed, TokenUnknown, TokenExpired, CertificateUntrusted, CertificateExpired, CertificateNotYetValid,
		CertificateRevoked, CertificateUnlisted, RevocationsStale, MissingRight, ForeignHost, ForeignOrigin, TooManyConnections}
}

// RefusedError is the error of a caller that may not do what it asked. The caller can
// act on the message: it names what to bring.
type RefusedError struct {
	Reason Reason
	// Name is who asked, as far as it is known.
	Name    string
	Message string
}

func (e *RefusedError) Error() string { return e.Message }

// Known reports whether it was clear who asked, so that only the right was missing.
func (e *RefusedError) Known() bool {
	return e.Reason == MissingRight || e.Reason == CertificateUnlisted
}

func refuse(r Reason, name, format string, args ...any) *RefusedError {
	return &RefusedError{Reason: r, Name: name, Message: fmt.Sprintf(format, args...)}
}
