// Package access decides who may call what.
//
// A Unix socket is protected by its file's mode and stays free; loopback addresses are free unless
// the configuration says otherwise. Any other address speaks TLS 1.3 and requires a client
// certificate or a bearer token (RFC 6750) with every call. There are two roles: viewer, and
// operator, who may do all that a viewer may; Methods says which one a method takes.
//
// Certificates, their revocation list and tokens can be read again while the daemon runs
// (Gate.Prepare): calls that begin later are judged by the new ones at once, also on connections
// that were there before, and streams that were open end within EndOfStreamLimit when what opened
// them no longer counts.
//
// Who connects is limited (CallLimit and what follows it) so that whoever may operate always gets in: a connection on
// which no call was admitted ends soon, little is read of it, and where there are too many the newest stay.
//
// Nothing here can stop the bus: what cannot be judged (a revocation list out of date, a
// certificate that has expired) is refused, and the robot goes on.
package access

import (
	"fmt"
	"time"

	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/reflection/grpc_reflection_v1alpha"

	facetdv1 "facetd.example/api/facetd/v1"
)

// EndOfStreamLimit limits how long a stream goes on after its token or certificate was
// taken away with a reload, or has expired.
const EndOfStreamLimit = 3 * time.Second

// Role is what a caller may do.
type Role int

// The roles; a greater one includes the smaller.
const (
	Nothing Role = iota
	// Viewer reads the array, tasks, plans, frames, status, events and metrics.
	Viewer
	// Operator changes any of them, and takes bus time.
	Operator
)

// String is the role as the configuration and the token file write it.
func (r Role) String() string {
	switch r {
	case Viewer:
		return "viewer"
	case Operator:
		return "operator"
	}
	return "nothing"
}

// ParseRole reads viewer or operator.
func ParseRole(s string) (Role, error) {
	switch s {
	case "viewer":
		return Viewer, nil
	case "operator":
		return Operator, nil
	}
	return Nothing, fmt.Errorf("%q is not a role; use viewer or operator", s)
}

// methods is the role that every method takes. One that is missing here takes
// Operator, and fails a test of package server.
var methods = map[string]Role{
	facetdv1.ArrayService_GetArray_FullMethodName:     Viewer,
	facetdv1.ArrayService_GetGeometry_FullMethodName:  Viewer,
	facetdv1.ArrayService_ComputeReach_FullMethodName: Viewer,
	facetdv1.ArrayService_ComputeCover_FullMethodName: Viewer,

	facetdv1.BringupService_ListBringups_FullMethodName:  Viewer,
	facetdv1.BringupService_GetBringup_FullMethodName:    Viewer,
	facetdv1.BringupService_StartBringup_FullMethodName:  Operator, // takes bus time
	facetdv1.BringupService_ResumeBringup_FullMethodName: Operator,
	facetdv1.BringupService_AnswerBringup_FullMethodName: Operator,

	facetdv1.CalibrationService_GetCalibration_FullMethodName:      Viewer,
	facetdv1.CalibrationService_ListCalibrations_FullMethodName:    Viewer,
	facetdv1.CalibrationService_ListCorrectionMaps_FullMethodName:  Viewer,
	facetdv1.CalibrationService_GetCorrectionMap_FullMethodName:    Viewer,
	facetdv1.CalibrationService_StartCalibration_FullMethodName:    Operator,
	facetdv1.CalibrationService_CollectLevel_FullMethodName:        Operator,
	facetdv1.CalibrationService_FinishCalibration_FullMethodName:   Operator,
	facetdv1.CalibrationService_AbortCalibration_FullMethodName:    Operator,
	facetdv1.CalibrationService_DeleteCorrectionMap_FullMethodName: Operator,
	facetdv1.CalibrationService_UpdateOffsets_FullMethodName:       Operator,

	facetdv1.CommandService_SendCommand_FullMethodName: Operator,

	facetdv1.EventService_ListEvents_FullMethodName:   Viewer,
	facetdv1.EventService_StreamEvents_FullMethodName: Viewer,

	facetdv1.FaultService_ListFaults_FullMethodName:  Viewer,
	facetdv1.FaultService_SetFaults_FullMethodName:   Operator,
	facetdv1.FaultService_ClearFaults_FullMethodName: Operator,

	facetdv1.FrameService_FollowFrameSets_FullMethodName: Viewer,
	facetdv1.FrameService_WaitFrameSets_FullMethodName:   Viewer,
	facetdv1.FrameService_CaptureFrames_FullMethodName:   Operator, // takes bus time
	facetdv1.FrameService_PreviewCapture_FullMethodName:  Viewer,   // takes none

	facetdv1.HealthService_GetHealth_FullMethodName:          Viewer,
	facetdv1.HealthService_WatchHealth_FullMethodName:        Viewer,
	facetdv1.HealthService_AcknowledgeFinding_FullMethodName: Operator,
	facetdv1.HealthService_ShelveFinding_FullMethodName:      Operator,

	facetdv1.HistoryService_GetHistory_FullMethodName: Viewer,

	facetdv1.LockstepService_GetLockstep_FullMethodName:   Viewer,
	facetdv1.LockstepService_JoinLockstep_FullMethodName:  Operator, // bus time waits for it
	facetdv1.LockstepService_AdvanceTime_FullMethodName:   Operator,
	facetdv1.LockstepService_LeaveLockstep_FullMethodName: Operator,

	facetdv1.DeviceService_GetDevice_FullMethodName:      Viewer,
	facetdv1.DeviceService_SelfTestDevice_FullMethodName: Operator, // drives every output
	facetdv1.DeviceService_GetInputs_FullMethodName:      Viewer,
	facetdv1.DeviceService_SetInput_FullMethodName:       Operator,

	facetdv1.MotionService_StreamMotion_FullMethodName: Viewer,
	facetdv1.MotionService_WatchMotion_FullMethodName:  Viewer,

	facetdv1.PlanService_GetPlan_FullMethodName:     Viewer,
	facetdv1.PlanService_PreviewPlan_FullMethodName: Viewer, // plans, and changes nothing

	facetdv1.ProbeService_ProbeSelects_FullMethodName: Operator, // takes bus time

	facetdv1.RecordService_GetRecording_FullMethodName:      Viewer,
	facetdv1.RecordService_ListRecordings_FullMethodName:    Viewer,
	facetdv1.RecordService_StartRecording_FullMethodName:    Operator,
	facetdv1.RecordService_StopRecording_FullMethodName:     Operator,
	facetdv1.RecordService_DownloadRecording_FullMethodName: Viewer,
	facetdv1.RecordService_DeleteRecording_FullMethodName:   Operator,

	facetdv1.ReplayService_GetReplay_FullMethodName:    Viewer,
	facetdv1.ReplayService_PauseReplay_FullMethodName:  Operator,
	facetdv1.ReplayService_ResumeReplay_FullMethodName: Operator,
	facetdv1.ReplayService_StepReplay_FullMethodName:   Operator,
	facetdv1.ReplayService_SeekReplay_FullMethodName:   Operator,

	// Neither is for a viewer: a robot that loses its frames without need is in danger too.
	facetdv1.SafeStopService_StopArray_FullMethodName:   Operator,
	facetdv1.SafeStopService_ResumeArray_FullMethodName: Operator,

	facetdv1.SceneService_GetScene_FullMethodName: Viewer,
	facetdv1.SceneService_SetScene_FullMethodName: Operator,
	facetdv1.SceneService_SetPose_FullMethodName:  Operator,

	facetdv1.StatusService_GetStatus_FullMethodName:   Viewer,
	facetdv1.StatusService_GetClock_FullMethodName:    Viewer,
	facetdv1.StatusService_WatchStatus_FullMethodName: Viewer,

	facetdv1.TaskService_ListTasks_FullMethodName:         Viewer,
	facetdv1.TaskService_GetTask_FullMethodName:           Viewer,
	facetdv1.TaskService_ApplyTasks_FullMethodName:        Operator,
	facetdv1.TaskService_CreateTask_FullMethodName:        Operator,
	facetdv1.TaskService_UpdateTask_FullMethodName:        Operator,
	facetdv1.TaskService_DeleteTask_FullMethodName:        Operator,
	facetdv1.TaskService_SetTaskParameters_FullMethodName: Operator,
	facetdv1.TaskService_TriggerTask_FullMethodName:       Operator,

	// Health and the schema tell what runs here: strangers learn neither. A probe on
	// the machine itself uses a loopback address or the socket.
	grpc_health_v1.Health_Check_FullMethodName: Viewer,
	grpc_health_v1.Health_List_FullMethodName:  Viewer,
	grpc_health_v1.Health_Watch_FullMethodName: Viewer,

	grpc_reflection_v1.ServerReflection_ServerReflectionInfo_FullMethodName:      Viewer,
	grpc_reflection_v1alpha.ServerReflection_ServerReflectionInfo_FullMethodName: Viewer,
}

// MethodRole returns the role that a method takes, by its full name such as
// /facetd.v1.TaskService/ListTasks. listed is false for one that is not in the table: it takes
// Operator.
func MethodRole(fullMethod string) (role Role, listed bool) {
	if role, listed = methods[fullMethod]; listed {
		return role, true
	}
	return Operator, false
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
	CertificateUnlisted    Reason = "certificate_unlisted" // its name has no role
	RevocationsStale       Reason = "revocations_stale"    // nobody knows what is revoked
	MissingRole            Reason = "missing_role"
	ForeignHost            Reason = "foreign_host"
	ForeignOrigin          Reason = "foreign_origin"
	TooManyConnections     Reason = "too_many_connections"
	TooManyRequests        Reason = "too_many_requests"   // are being received
	NoCall                 Reason = "no_call"             // within CallLimit
	Displaced              Reason = "displaced"           // made way for another connection
	TooMuchUnadmitted      Reason = "too_much_unadmitted" // more than MaxNewBytes
	SlowRequest            Reason = "slow_request"        // did not arrive in time
)

// Reasons are all of them.
func Reasons() []Reason {
	return []Reason{NoCredentials, TokenMalformed, TokenUnknown, TokenExpired, CertificateUntrusted, CertificateExpired,
		CertificateNotYetValid,
		CertificateRevoked, CertificateUnlisted, RevocationsStale, MissingRole, ForeignHost, ForeignOrigin,
		TooManyConnections, TooManyRequests, NoCall, Displaced, TooMuchUnadmitted, SlowRequest}
}

// RefusedError is the error of a caller that may not do what it asked. The caller can act on the
// message: it names what to provide.
type RefusedError struct {
	Reason Reason
	// Name is who asked, as far as it is known.
	Name    string
	Message string
}

func (e *RefusedError) Error() string { return e.Message }

// Known reports whether it was clear who asked, so that only the role did not suffice.
func (e *RefusedError) Known() bool {
	return e.Reason == MissingRole || e.Reason == CertificateUnlisted
}

func refuse(r Reason, name, format string, args ...any) *RefusedError {
	return &RefusedError{Reason: r, Name: name, Message: fmt.Sprintf(format, args...)}
}
