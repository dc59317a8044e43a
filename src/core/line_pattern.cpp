#include "core/line_pattern.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>

namespace pipebeat::core {

std::vector<double> line_levels(const CycleLines& lines, std::size_t m) {
  std::vector<double> level(lines.lines);
  for (std::size_t k = 0; k < lines.lines; ++k) {
    const double repeating = lines.power[m][k] * std::max(lines.coherence[m][k], 0.02);
    level[k] = 10.0 * std::log10(repeating + 1e-20);
  }
  return level;
}

double null_level(const CycleLines& lines, std::size_t m, const Engine& engine, double low, double high) {
  const auto P = static_cast<double>(engine.positions().size());
  const std::vector<double> level = line_levels(lines, m);
  std::vector<double> at;
  std::vector<double> reference;  // level of one pulse, at the strong lines
  for (std::size_t k = 1; k <= lines.lines; ++k) {
    const double s = std::abs(engine.line(static_cast<int>(k)));
    if (s > 0.5) {
      at.push_back(static_cast<double>(k));
      reference.push_back(level[k - 1] - 20.0 * std::log10(s * P));
    }
  }
  if (at.empty()) return -25.0;
  double sum = 0.0;
  int count = 0;
  for (std::size_t k = 1; k <= lines.lines; ++k) {
    const double x = static_cast<double>(k);
    if (x < low * P || x > high * P || std::abs(engine.line(static_cast<int>(k))) > 0.3) continue;
    const auto above = std::lower_bound(at.begin(), at.end(), x);
    double r;
    if (above == at.begin()) {
      r = reference.front();
    } else if (above == at.end()) {
      r = reference.back();
    } else {
      const auto i = static_cast<std::size_t>(above - at.begin());
      const double t = (x - at[i - 1]) / (at[i] - at[i - 1]);
      r = reference[i - 1] * (1.0 - t) + reference[i] * t;
    }
    sum += level[k - 1] - r;
    ++count;
  }
  return count > 0 ? std::clamp(sum / count, -25.0, 15.0) : -25.0;
}


// The pulse spectrum is smoothed by penalised second differences (Whittaker 1923), with the penalty
// scaled so that its bandwidth is about a firing frequency.
PatternMisfit pattern_misfit(const CycleLines& lines, std::size_t m, const Engine& engine) {
  const std::size_t P = engine.positions().size();
  const std::size_t K = std::min(lines.lines, 3 * P);
  PatternMisfit out;
  if (K < 4) return out;
  const std::vector<double> level = line_levels(lines, m);
  const double penalty = 5.0 * std::pow(static_cast<double>(P) / 4.0, 4.0);
  // Residual operator R = I - (I + penalty D'D)^-1, by Gauss-Jordan; K is at most 48.
  std::vector<double> a(K * K, 0.0);
  std::vector<double> inverse(K * K, 0.0);
  for (std::size_t i = 0; i < K; ++i) a[i * K + i] = inverse[i * K + i] = 1.0;
  for (std::size_t i = 0; i + 2 < K; ++i) {
    constexpr std::array<double, 3> d{1.0, -2.0, 1.0};
    for (std::size_t p = 0; p < 3; ++p) {
      for (std::size_t q = 0; q < 3; ++q) a[(i + p) * K + i + q] += penalty * d[p] * d[q];
    }
  }
  for (std::size_t i = 0; i < K; ++i) {
    const double pivot = a[i * K + i];
    for (std::size_t j = 0; j < K; ++j) {
      a[i * K + j] /= pivot;
      inverse[i * K + j] /= pivot;
    }
    for (std::size_t r = 0; r < K; ++r) {
      if (r == i) continue;
      const double f = a[r * K + i];
      if (f == 0.0) continue;
      for (std::size_t j = 0; j < K; ++j) {
        a[r * K + j] -= f * a[i * K + j];
        inverse[r * K + j] -= f * inverse[i * K + j];
      }
    }
  }
  // Lines as phasors of each position, once.
  std::vector<std::complex<double>> phasor(K * P);
  for (std::size_t k = 0; k < K; ++k) {
    for (std::size_t p = 0; p < P; ++p) {
      const double angle = engine.positions()[p].angle.value() / engine.cycle().value();
      phasor[k * P + p] = std::polar(1.0 / static_cast<double>(P), -2.0 * std::numbers::pi * static_cast<double>(k + 1) * angle);
    }
  }
  // No engine is perfectly even: a floor under every pattern, about a third of one pulse.
  const double floor = 0.35 * 0.35 / static_cast<double>(P);
  std::vector<double> z(K);
  const auto misfit = [&](const std::vector<double>& strength) {
    for (std::size_t k = 0; k < K; ++k) {
      std::complex<double> s{};
      for (std::size_t p = 0; p < P; ++p) s += strength[p] * phasor[k * P + p];
      z[k] = level[k] - 10.0 * std::log10(std::norm(s) + floor);
    }
    double sum = 0.0;
    for (std::size_t i = 0; i < K; ++i) {
      double smooth = 0.0;
      for (std::size_t j = 0; j < K; ++j) smooth += inverse[i * K + j] * z[j];
      const double r = std::min(std::abs(z[i] - smooth), 12.0);
      sum += r * r;
    }
    return std::sqrt(sum / static_cast<double>(K));
  };
  constexpr double gulp = -0.1;  // a cylinder that does not burn draws a little gas inwards
  std::vector<double> strength(P, 1.0);
  out.healthy = misfit(strength);
  for (std::size_t i = 0; i < P; ++i) {
    strength[i] = gulp;
    out.one_dead = std::min(out.one_dead, misfit(strength));
    if (P >= 4) {
      for (std::size_t j = 0; j < i; ++j) {
        strength[j] = gulp;
        out.two_dead = std::min(out.two_dead, misfit(strength));
        strength[j] = 1.0;
      }
    }
    strength[i] = 1.0;
  }
  if (P % 2 == 0 && P >= 4) {
    for (std::size_t i = 0; i < P; i += 2) strength[i] = 0.5;
    out.alternating = misfit(strength);
    for (std::size_t i = 0; i < P; i += 2) strength[i] = gulp;
    out.half_dead = misfit(strength);
  }
  out.two_dead = std::min(out.two_dead, P >= 4 ? out.two_dead : out.one_dead);
  return out;
}

}  // namespace pipebeat::core
