package planner

import (
	"context"

	"google.golang.org/protobuf/types/known/durationpb"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/protocol"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// GetServerInfo tells versions and limits.
func (s *Service) GetServerInfo(context.Context, *vw.GetServerInfoRequest) (*vw.ServerInfo, error) {
	return &vw.ServerInfo{
		Version: s.info.Version, ContractVersion: "v1", DataVersion: protocol.DataVersion, ModelVersion: proposal.ModelVersion,
		ZoneDatabase: civil.Embedded().Version(), Services: s.info.Services,
		Limits: &vw.ServerLimits{
			RequestBytes: s.info.RequestBytes, DefaultPageSize: store.DefaultPageSize, LargestPageSize: store.MaxPageSize,
			RequestIdRetention: durationpb.New(store.RequestRetention),
			LongestDeadline:    durationpb.New(s.info.LongestDeadline), DefaultDeadline: durationpb.New(s.info.DefaultDeadline),
		},
	}, nil
}
