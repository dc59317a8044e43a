#include "core/fft.hpp"

// The header-only KissFFT also compiles to WebAssembly; it predates our warning level.
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wconversion"
#pragma GCC diagnostic ignored "-Wsign-conversion"
#pragma GCC diagnostic ignored "-Wshadow"
#include <kissfft/kissfft.hh>
#pragma GCC diagnostic pop

namespace pipebeat::core {

struct RealFft::Plan {
  kissfft<float> half;
};

RealFft::RealFft(std::size_t length)
    : length_{length}, plan_{std::make_unique<Plan>(Plan{kissfft<float>{length / 2, false}})} {}
RealFft::RealFft(RealFft&&) noexcept = default;
RealFft& RealFft::operator=(RealFft&&) noexcept = default;
RealFft::~RealFft() = default;

void RealFft::forward(std::span<const float> in, std::span<std::complex<float>> out) const {
  plan_->half.transform_real(in.data(), out.data());
  // transform_real packs the Nyquist bin into the imaginary part of bin 0.
  out[length_ / 2] = {out[0].imag(), 0.0F};
  out[0] = {out[0].real(), 0.0F};
}

}  // namespace pipebeat::core
