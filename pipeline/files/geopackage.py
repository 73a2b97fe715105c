"""The one writer of GeoPackages: layers appended one after the other, styles, equal bytes for equal input."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyogrio
import pyproj
import shapely

from pipeline.errors import CheckError
from pipeline.files.disk import check_room
from pipeline.files.row_classes import OUTLINE
from pipeline.files.store import whole_file
from pipeline.files.texts import safe_columns, safe_texts

# GDAL stamps the time of writing into every layer; with a fixed one equal layers give equal bytes.
STAMP = "2000-01-01T00:00:00.000Z"
# The file has a temporary name until it is whole, so nothing is gained by waiting for the disk in between.
GDAL_OPTIONS = {"OGR_CURRENT_DATE": STAMP, "OGR_SQLITE_SYNCHRONOUS": "OFF", "OGR_SQLITE_CACHE": "256"}
GEOMETRY = "geom"
# Ends of ranges where a program wants figures: shares are 0 to 1.
LOWEST, HIGHEST = 0.0, 1.0
# Less than the digits that shares are written with.
BELOW = 1e-7
STYLES, LEGEND = "layer_styles", "legend"


@dataclass(frozen=True)
class Style:
    """How a layer is drawn: one colour, one for each value of a column, or one for each range of a column's figures.

    Attributes
    ----------
    layer, name : str
        Layer and the name of the style.
    kind : {"line", "fill", "outline", "mark", "shade", "any"}
        "shade" is a fill with an outline, "any" of a layer with geometries of all kinds.
    colours : tuple of (value, colour)
        Value of `column` and #RRGGBB; a single one where there is no column.
    column : str or None
    default : bool
        Whether the layer opens with it.
    labels : tuple of (value, text)
        What a legend says of a value; one that is not there is said as it is.
    edges : tuple of float
        Where ranges of the column's figures part, ascending; each range has the colour in its place, of whose value only
        the label counts. An edge belongs to the range above it.
    """

    layer: str
    name: str
    kind: str
    colours: tuple[tuple[str, str], ...]
    column: str | None = None
    default: bool = True
    labels: tuple[tuple[str, str], ...] = ()
    edges: tuple[float, ...] = ()

    @property
    def ranges(self) -> list[tuple[float | None, float | None]]:
        """Lower and upper end of each range; none at the outer ends."""
        return list(zip((None, *self.edges), (*self.edges, None), strict=True))

    def label(self, value: str) -> str:
        """What a legend says of a value."""
        return dict(self.labels).get(value, value)


def write_geopackage(
    path: Path, layers: Iterable[tuple[str, str, gpd.GeoDataFrame | pa.Table]], *, crs: str, styles: Sequence[Style] = ()
) -> None:
    """Write a GeoPackage as a whole.

    Parameters
    ----------
    path : Path
    layers : iterable of (layer, geometry type, table)
        A layer that comes again is appended to. An empty table still makes its layer. Drawn one at a time,
        so that a large co-op never lies in memory at once. An Arrow table is written as it is, without a detour by
        geometries: in two dimensions, of just that type.
    crs : str
        Of all layers, WKT.
    styles : sequence of Style
    """
    begun: set[str] = set()
    crs = pyproj.CRS(crs)
    with whole_file(path) as unfinished, _gdal_options():
        for layer, kind, table in layers:
            if layer not in begun or len(table):
                _append(unfinished, layer, kind, table, crs=crs, new=layer not in begun)
            begun.add(layer)
        if styles:
            for layer, table in ((STYLES, _style_table(styles)), (LEGEND, _legend_table(styles))):
                pyogrio.write_dataframe(table, unfinished, layer=layer, driver="GPKG", append=True, FID="id")
        check_room(unfinished)


def _append(path: Path, layer: str, kind: str, table: gpd.GeoDataFrame | pa.Table, *, crs: pyproj.CRS, new: bool) -> None:
    options = {"GEOMETRY_NAME": GEOMETRY, "FID": "fid", "SPATIAL_INDEX": "YES"} if new else {}
    options |= {"layer": layer, "driver": "GPKG", "geometry_type": kind, "append": path.exists()}
    if isinstance(table, pa.Table):
        # Columns of text without a line have lost their type.
        text = [one.with_type(pa.string()) if pa.types.is_null(one.type) else one for one in table.schema]
        table = safe_columns(table.cast(pa.schema(text)))
        pyogrio.write_arrow(table, path, geometry_name="geometry", crs=_as_pyogrio_says(crs), **options)
        return
    text = {name: "string" for name in table.columns.drop(table.geometry.name) if table[name].dtype == object}
    flat = safe_texts(table.set_geometry(shapely.force_2d(table.geometry.values)).astype(text))
    if not crs.equals(flat.crs, ignore_axis_order=True):
        raise CheckError(f"layer '{layer}' lies in another CRS than its GeoPackage, {crs.name}")
    alike = flat.set_crs(crs, allow_override=True)
    pyogrio.write_dataframe(alike, path, use_arrow=True, promote_to_multi=kind.startswith("Multi"), **options)


def _as_pyogrio_says(crs: pyproj.CRS) -> str:
    """A CRS in the words in which pyogrio hands GDAL that of a table of geometries.

    One that has no code would else have an entry for each way in which it was written, and be another CRS in every layer.
    """
    code = crs.to_epsg()
    return f"EPSG:{code}" if code else crs.to_wkt("WKT1_GDAL")


@contextmanager
def _gdal_options() -> Iterator[None]:
    before = {name: pyogrio.get_gdal_config_option(name) for name in GDAL_OPTIONS}
    pyogrio.set_gdal_config_options(GDAL_OPTIONS)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _style_table(styles: Sequence[Style]) -> pd.DataFrame:
    """The table in which desktop GIS programs look for the styles of a GeoPackage."""
    return pd.DataFrame({
        "f_table_catalog": "", "f_table_schema": "", "f_table_name": [style.layer for style in styles],
        "f_geometry_column": GEOMETRY, "styleName": [style.name for style in styles],
        "styleQML": [_qml(style) for style in styles], "styleSLD": [_sld(style) for style in styles],
        "useAsDefault": [style.default for style in styles], "description": [style.name for style in styles],
        "owner": "", "ui": "", "update_time": pd.Timestamp(STAMP),
    })  # fmt: skip


def _legend_table(styles: Sequence[Style]) -> pd.DataFrame:
    """What the colours mean, one line a colour, for programs that draw in their own."""
    lines = [(style, value, colour) for style in styles for value, colour in style.colours]
    return pd.DataFrame({
        "layer": [style.layer for style, _, _ in lines], "style": [style.name for style, _, _ in lines],
        "column": [style.column or "" for style, _, _ in lines],
        "value": [value if style.column else "" for style, value, _ in lines],
        "label": [style.label(value) for style, value, _ in lines], "colour": [colour for _, _, colour in lines],
    })  # fmt: skip


def _sld(style: Style) -> str:
    """Styled layer descriptor 1.0 (OGC 02-070), one rule a value."""
    places = style.ranges if style.edges else [(None, None)] * len(style.colours)
    rules = "".join(_sld_rule(style, *one, place) for one, place in zip(style.colours, places, strict=True))
    return (
        '<?xml version="1.0" encoding="UTF-8"?><StyledLayerDescriptor version="1.0.0" '
        'xmlns="http://www.opengis.net/sld" xmlns:ogc="http://www.opengis.net/ogc">'
        f"<NamedLayer><Name>{escape(style.layer)}</Name><UserStyle><Title>{escape(style.name)}</Title>"
        f"<FeatureTypeStyle>{rules}</FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )


def _sld_filter(style: Style, value: str, place: tuple[float | None, float | None]) -> str:
    """Which features a rule is of (OGC 02-059)."""

    def compared(how: str, to: object) -> str:
        name = f"<ogc:PropertyName>{escape(style.column or '')}</ogc:PropertyName>"
        return f"<ogc:PropertyIs{how}>{name}<ogc:Literal>{escape(str(to))}</ogc:Literal></ogc:PropertyIs{how}>"

    if not style.column:
        return ""
    if not style.edges:
        return f"<ogc:Filter>{compared('EqualTo', value)}</ogc:Filter>"
    ends = zip(("GreaterThanOrEqualTo", "LessThan"), place, strict=True)
    said = [compared(how, end) for how, end in ends if end is not None]
    return f"<ogc:Filter>{f'<ogc:And>{said[0]}{said[1]}</ogc:And>' if len(said) == 2 else said[0]}</ogc:Filter>"


def _sld_rule(style: Style, value: str, colour: str, place: tuple[float | None, float | None]) -> str:
    where = _sld_filter(style, value, place)
    stroke = (
        f'<Stroke><CssParameter name="stroke">{colour}</CssParameter><CssParameter name="stroke-width">1</CssParameter>'
        "</Stroke>"
    )
    fill = f'<Fill><CssParameter name="fill">{colour}</CssParameter></Fill>'
    line, outline = f"<LineSymbolizer>{stroke}</LineSymbolizer>", f"<PolygonSymbolizer>{stroke}</PolygonSymbolizer>"
    mark = (
        f"<PointSymbolizer><Graphic><Mark><WellKnownName>circle</WellKnownName>{fill}</Mark><Size>9</Size></Graphic>"
        "</PointSymbolizer>"
    )
    edge = f'<Stroke><CssParameter name="stroke">{OUTLINE}</CssParameter></Stroke>'
    drawn = {
        "line": line, "fill": f"<PolygonSymbolizer>{fill}</PolygonSymbolizer>", "outline": outline, "mark": mark,
        "shade": f"<PolygonSymbolizer>{fill}{edge}</PolygonSymbolizer>", "any": outline + line + mark,
    }[style.kind]  # fmt: skip
    return f"<Rule><Name>{escape(value)}</Name><Title>{escape(style.label(value))}</Title>{where}{drawn}</Rule>"


def _qml(style: Style) -> str:
    """The same for desktop programs that read only their own style from the table."""
    if style.kind == "any":  # a layer has symbols of one kind there
        return ""
    symbols = "".join(_qml_symbol(style.kind, str(k), colour) for k, (_, colour) in enumerate(style.colours))
    if style.column is None:
        renderer = f'<renderer-v2 type="singleSymbol"><symbols>{symbols}</symbols></renderer-v2>'
    elif style.edges:
        # A value at an edge belongs to the range above it, and of two ranges that share it these programs take the lower.
        ends = [(LOWEST if low is None else low, HIGHEST if high is None else high - BELOW) for low, high in style.ranges]
        ranges = "".join(
            f'<range symbol="{k}" lower="{low}" upper="{high}" label={quoteattr(style.label(value))} render="true"/>'
            for k, ((value, _), (low, high)) in enumerate(zip(style.colours, ends, strict=True))
        )
        renderer = (
            f'<renderer-v2 type="graduatedSymbol" attr={quoteattr(style.column)}><ranges>{ranges}</ranges>'
            f"<symbols>{symbols}</symbols></renderer-v2>"
        )
    else:
        categories = "".join(
            f'<category symbol="{k}" value={quoteattr(value)} label={quoteattr(style.label(value))} render="true"/>'
            for k, (value, _) in enumerate(style.colours)
        )
        renderer = (
            f'<renderer-v2 type="categorizedSymbol" attr={quoteattr(style.column)}><categories>{categories}'
            f"</categories><symbols>{symbols}</symbols></renderer-v2>"
        )
    return f'<!DOCTYPE qgis><qgis version="3.0.0" styleCategories="Symbology">{renderer}</qgis>'


def _qml_symbol(kind: str, name: str, colour: str) -> str:
    rgb = _rgb(colour)
    symbol, drawn, properties = {
        "line": ("line", "SimpleLine", {"line_color": rgb, "line_width": "0.3"}),
        "fill": ("fill", "SimpleFill", {"color": rgb, "style": "solid", "outline_style": "no"}),
        "shade": ("fill", "SimpleFill", {"color": rgb, "outline_color": _rgb(OUTLINE), "outline_width": "0.3"}),
        "outline": ("fill", "SimpleFill", {"style": "no", "outline_color": rgb, "outline_width": "0.4"}),
        "mark": ("marker", "SimpleMarker", {"name": "circle", "color": rgb, "size": "3"}),
    }[kind]
    props = "".join(f'<prop k="{key}" v="{value}"/>' for key, value in properties.items())
    layer = f'<layer class="{drawn}" enabled="1">{props}</layer>'
    return f'<symbol type="{symbol}" name="{name}">{layer}</symbol>'


def _rgb(colour: str) -> str:
    return ",".join(str(int(colour[k : k + 2], 16)) for k in (1, 3, 5)) + ",255"
