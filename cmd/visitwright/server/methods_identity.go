package server

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// identityTable is who may call what about people. SignIn is in nobody's row:
// it is called without a token.
var identityTable = access.Table{
	vw.IdentityService_CreatePerson_FullMethodName: {manager},
	vw.IdentityService_UpdatePerson_FullMethodName: {manager},
	vw.IdentityService_ListPeople_FullMethodName:   {manager},
	// One's own, or another's as a manager: the handler looks at whose.
	vw.IdentityService_SetPassphrase_FullMethodName: {reception, nurse, clinician, manager},
	vw.IdentityService_SignOut_FullMethodName:       store.Roles(),
	vw.IdentityService_GetMe_FullMethodName:         store.Roles(),
}
