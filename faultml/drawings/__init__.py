"""What a drawing shows (`records`, `motion`), apart from how it is made: as SVG (`svg`) or for ECharts (`echarts`)."""
