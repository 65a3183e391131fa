#include "go_asm.h"
#include "textflag.h"

#define EIGHT(name, value) \
	DATA name<>+0(SB)/4, $value  \
	DATA name<>+4(SB)/4, $value  \
	DATA name<>+8(SB)/4, $value  \
	DATA name<>+12(SB)/4, $value \
	DATA name<>+16(SB)/4, $value \
	DATA name<>+20(SB)/4, $value \
	DATA name<>+24(SB)/4, $value \
	DATA name<>+28(SB)/4, $value \
	GLOBL name<>(SB), RODATA|NOPTR, $32

EIGHT(whole, 1.0)
EIGHT(complete, 255.0)
EIGHT(half, 0.5)
EIGHT(perMean, 0.00006103515625)
EIGHT(meanScale, 16384.0)
EIGHT(lowest, 32768.5)
EIGHT(shift, 32768)
EIGHT(halfStep, 4096)
EIGHT(weightBias, const_weightBias)
EIGHT(tooFew, const_enough-1)
EIGHT(almost, 204.0)
EIGHT(perRest, 0.0196078431372549)

// func mergeRowsAVX2(a *sums, b *block, m *merging, rows uint64)
// m begins with what is compared. Y0 unit, Y1 nothing, Y2 one, Y3 complete, Y5 perMean, Y6 weightBias.
// In a row: Y8 w, Y9 where it is positive, Y10 d, Y12 cover, Y13 weight, Y14 mean before.
TEXT ·mergeRowsAVX2(SB), NOSPLIT, $0-32
	MOVQ         a+0(FP), SI
	MOVQ         b+8(FP), BX
	MOVQ         m+16(FP), DI
	MOVQ         rows+24(FP), CX
	VBROADCASTSS merging_unit(DI), Y0
	VPXOR        Y1, Y1, Y1
	VMOVUPS      whole<>(SB), Y2
	VMOVUPS      complete<>(SB), Y3
	VMOVUPS      perMean<>(SB), Y5
	VMOVDQU      weightBias<>(SB), Y6
	MOVQ         comparison_n(DI), R8
	MOVQ         merging_seen(DI), R9
	TESTQ        CX, CX
	JZ           done

row:
	BSFQ         CX, DX
	LEAQ         -1(CX), AX
	ANDQ         AX, CX
	MOVQ         DX, R10
	SHLQ         $5, R10
	ADDQ         SI, R10
	MOVQ         DX, R11
	SHLQ         $4, R11
	ADDQ         BX, R11
	LEAQ         block_cover(BX)(DX*8), R12
	VMOVUPS      sums_mass(R10), Y8
	VCMPPS       $1, Y8, Y1, Y9
	VMULPS       Y0, Y8, Y10
	VMOVUPS      sums_distance(R10), Y11
	VDIVPS       Y10, Y11, Y10
	VMOVUPS      sums_cover(R10), Y11
	VMINPS       Y2, Y11, Y11
	VMULPS       Y3, Y11, Y11
	VADDPS       half<>(SB), Y11, Y11
	VCVTTPS2DQ   Y11, Y11
	VPAND        Y9, Y11, Y11
	VPMOVZXBD    (R12), Y12
	VPMOVZXWD    block_weight(R11), Y13
	VPCMPEQD     Y1, Y13, Y14
	VPADDD       Y6, Y13, Y13
	VPSLLD       $13, Y13, Y13
	VPANDN       Y13, Y14, Y13
	VPMOVSXWD    block_mean(R11), Y14
	VCVTDQ2PS    Y14, Y14
	VMULPS       Y5, Y14, Y14

	// Places that the view covers, and of those the ones that others covered.
	VPCMPGTD     tooFew<>(SB), Y11, Y15
	VPCMPGTD     tooFew<>(SB), Y12, Y4
	VPAND        Y15, Y4, Y4
	VMOVMSKPS    Y15, AX
	POPCNTL      AX, AX
	ADDQ         AX, R9
	VCMPPS       $1, Y13, Y1, Y15
	VPAND        Y15, Y4, Y4

	// The cover, from that of the view in Y11 and that of the block in Y12.
	VADDPS       Y8, Y13, Y15
	VDIVPS       Y15, Y8, Y15
	VANDPS       Y9, Y15, Y15
	VCVTDQ2PS    Y11, Y11
	VCVTDQ2PS    Y12, Y12
	VSUBPS       Y12, Y11, Y7
	VMULPS       Y15, Y7, Y7
	VMAXPS       Y12, Y11, Y11
	VADDPS       Y7, Y12, Y7
	VSUBPS       Y7, Y11, Y12
	VSUBPS       almost<>(SB), Y11, Y11
	VMULPS       perRest<>(SB), Y11, Y11
	VMAXPS       Y1, Y11, Y11
	VMINPS       Y2, Y11, Y11
	VMULPS       Y11, Y12, Y12
	VADDPS       Y12, Y7, Y7
	VADDPS       half<>(SB), Y7, Y7
	VCVTTPS2DQ   Y7, Y11
	VEXTRACTI128 $1, Y11, X15
	VPACKUSDW    X15, X11, X11
	VPACKUSWB    X11, X11, X11
	VMOVQ        X11, (R12)
	VSUBPS       Y14, Y10, Y10   // d - mean
	VMOVMSKPS    Y4, AX
	TESTL        AX, AX
	JZ           mean
	POPCNTL      AX, AX
	ADDQ         AX, R8
	VMULPS       Y0, Y10, Y11
	VANDPS       Y4, Y11, Y11
	VADDPS       comparison_sum(DI), Y11, Y15
	VMOVUPS      Y15, comparison_sum(DI)
	VMULPS       Y11, Y11, Y11
	VADDPS       comparison_squares(DI), Y11, Y11
	VMOVUPS      Y11, comparison_squares(DI)
	VADDPS       Y8, Y13, Y11
	VMULPS       Y8, Y13, Y15
	VDIVPS       Y15, Y11, Y11
	VANDPS       Y4, Y11, Y11
	VADDPS       comparison_variance(DI), Y11, Y11
	VMOVUPS      Y11, comparison_variance(DI)

mean:
	VADDPS       Y8, Y13, Y13    // the new weight
	VDIVPS       Y13, Y8, Y8
	VMULPS       Y8, Y10, Y10
	VADDPS       Y10, Y14, Y14
	VMULPS       meanScale<>(SB), Y14, Y14
	VADDPS       lowest<>(SB), Y14, Y14
	VCVTTPS2DQ   Y14, Y14
	VPSUBD       shift<>(SB), Y14, Y14
	VEXTRACTI128 $1, Y14, X15
	VPACKSSDW    X15, X14, X14
	VEXTRACTI128 $1, Y9, X15
	VPACKSSDW    X15, X9, X9
	VMOVDQU      block_mean(R11), X15
	VPBLENDVB    X9, X14, X15, X14
	VMOVDQU      X14, block_mean(R11)
	VPADDD       halfStep<>(SB), Y13, Y13
	VPSRLD       $13, Y13, Y13
	VPSUBD       Y6, Y13, Y13
	VEXTRACTI128 $1, Y13, X15
	VPACKUSDW    X15, X13, X13
	VMOVDQU      block_weight(R11), X15
	VPBLENDVB    X9, X13, X15, X13
	VMOVDQU      X13, block_weight(R11)
	TESTQ        CX, CX
	JNZ          row

done:
	MOVQ         R8, comparison_n(DI)
	MOVQ         R9, merging_seen(DI)
	VZEROUPPER
	RET
