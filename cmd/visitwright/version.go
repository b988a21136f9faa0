package main

import (
	"runtime/debug"

	"github.com/visitwright/visitwright/clients/cli"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// version is the version of the program as it was built.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && (v == "" || v == "(devel)") && len(s.Value) >= 12 {
			return "devel-" + s.Value[:12]
		}
	}
	if v == "" || v == "(devel)" {
		return "devel"
	}
	return v
}

// versionCommand shows versions.
type versionCommand struct{}

// Run asks the service what it is.
func (c *versionCommand) Run(s *cli.Session) error {
	info, err := s.Client.Planner.GetServerInfo(s.Context, &vw.GetServerInfoRequest{})
	if err != nil {
		return err
	}
	return s.Show(info, func(p *cli.Page) {
		p.Field("visitwright", "%s", info.GetVersion())
		p.Field("contract", "%s", info.GetContractVersion())
		p.Field("mathematics", "%s", info.GetModelVersion())
		p.Field("clinical data", "%s", info.GetDataVersion())
		p.Field("zone database", "%s", info.GetZoneDatabase())
		p.Field("largest request", "%d bytes", info.GetLimits().GetRequestBytes())
	})
}
