#include "textflag.h"

// func addWide(dst, a, b *float64, groups, cells, room int)
//
// See addRows, which does the same in Go. Products and sums are made one by one
// and in the same order, never fused, so each cell has the same bits.
TEXT ·addWide(SB), NOSPLIT, $0-48
	MOVQ dst+0(FP), R8
	MOVQ a+8(FP), R9
	MOVQ b+16(FP), R10
	MOVQ groups+24(FP), R11
	MOVQ cells+32(FP), R12
	MOVQ room+40(FP), R13

group:
	MOVQ    R12, CX
	CMPQ    R13, CX
	CMOVQLT R13, CX
	MOVQ    R8, DI
	MOVQ    R10, SI
	VBROADCASTSD (R9), Y0
	VBROADCASTSD 8(R9), Y1
	VBROADCASTSD 16(R9), Y2
	VBROADCASTSD 24(R9), Y3
	CMPQ    CX, $8
	JL      four

eight:
	VMULPD  24(SI), Y0, Y4
	VMULPD  56(SI), Y0, Y8
	VMULPD  16(SI), Y1, Y5
	VMULPD  48(SI), Y1, Y9
	VMULPD  8(SI), Y2, Y6
	VMULPD  40(SI), Y2, Y10
	VMULPD  (SI), Y3, Y7
	VMULPD  32(SI), Y3, Y11
	VADDPD  Y5, Y4, Y4
	VADDPD  Y9, Y8, Y8
	VADDPD  Y6, Y4, Y4
	VADDPD  Y10, Y8, Y8
	VADDPD  Y7, Y4, Y4
	VADDPD  Y11, Y8, Y8
	VADDPD  (DI), Y4, Y4
	VADDPD  32(DI), Y8, Y8
	VMOVUPD Y4, (DI)
	VMOVUPD Y8, 32(DI)
	ADDQ    $64, SI
	ADDQ    $64, DI
	SUBQ    $8, CX
	CMPQ    CX, $8
	JGE     eight

four:
	CMPQ    CX, $4
	JL      one
	VMULPD  24(SI), Y0, Y4
	VMULPD  16(SI), Y1, Y5
	VMULPD  8(SI), Y2, Y6
	VMULPD  (SI), Y3, Y7
	VADDPD  Y5, Y4, Y4
	VADDPD  Y6, Y4, Y4
	VADDPD  Y7, Y4, Y4
	VADDPD  (DI), Y4, Y4
	VMOVUPD Y4, (DI)
	ADDQ    $32, SI
	ADDQ    $32, DI
	SUBQ    $4, CX

one:
	TESTQ  CX, CX
	JZ     next
	VMULSD 24(SI), X0, X4
	VMULSD 16(SI), X1, X5
	VMULSD 8(SI), X2, X6
	VMULSD (SI), X3, X7
	VADDSD X5, X4, X4
	VADDSD X6, X4, X4
	VADDSD X7, X4, X4
	VADDSD (DI), X4, X4
	VMOVSD X4, (DI)
	ADDQ   $8, SI
	ADDQ   $8, DI
	DECQ   CX
	JMP    one

next:
	ADDQ $32, R8
	ADDQ $32, R9
	SUBQ $4, R13
	DECQ R11
	JNZ  group
	VZEROUPPER
	RET

// func hasAVX() bool
//
// The processor has AVX and the operating system saves its registers.
TEXT ·hasAVX(SB), NOSPLIT, $0-1
	MOVB $0, ret+0(FP)
	MOVL $1, AX
	MOVL $0, CX
	CPUID
	MOVL CX, BX
	ANDL $0x18000000, BX
	CMPL BX, $0x18000000
	JNE  no
	MOVL $0, CX
	XGETBV
	ANDL $6, AX
	CMPL AX, $6
	JNE  no
	MOVB $1, ret+0(FP)

no:
	RET
